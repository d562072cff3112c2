"""The same rods as a straightforward build123d script; knows nothing of this project.

    python build123d_rods.py RODS.json FOLDER CHORD TURN

Reads the rods' sizes, models each once to warm up and once measured, and prints the processor time
of the second as JSON. Run by `tests.benchmarks.rods` under an interpreter that has build123d.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from build123d import (
    Axis,
    Box,
    Cylinder,
    Part,
    Plane,
    Pos,
    Rot,
    Sphere,
    Text,
    export_step,
    export_stl,
    extrude,
    fillet,
)

ACROSS, ALONG = Rot(90, 0, 0), Rot(0, 90, 0)


def modelled(rod: dict) -> Part:
    """Model one rod the way a build123d tutorial would."""
    body = _flat(rod) if rod["kind"] == "flat" else _round(rod)
    i = rod["inward_y"]
    face = Plane(origin=(0, i * rod["level"], 0), x_dir=(-i, 0, 0), z_dir=(0, i, 0))
    return body - extrude(face * Text(rod["text"], rod["text_height"]), -rod["text_depth"])


def _flat(rod: dict) -> Part:
    length, thickness, i = rod["length"], 2 * rod["level"], rod["inward_y"]
    body = Box(length, thickness, rod["height"])
    for end in rod["ends"]:
        body += Pos(end["x"], 0, 0) * ACROSS * Cylinder(end["boss"] / 2, thickness)
    for side in (0, -1):
        body = fillet(body.faces().sort_by(Axis.Y)[side].edges(), rod["edge"])
    for end in rod["ends"]:
        if end["bore"]:
            body -= Pos(end["x"], 0, 0) * ACROSS * Cylinder(end["bore"] / 2, 2 * thickness)
            continue
        pin, lip = end["pin"], end["lip"]
        top = i * (rod["level"] + pin[1])
        post = Pos(end["x"], i * (rod["level"] + pin[1] / 2), 0) * ACROSS
        body += post * Cylinder(pin[0] / 2, pin[1])
        plate = Pos(end["x"], top + i * lip[1] / 2, 0) * ACROSS * Cylinder(lip[0] / 2, lip[1])
        body += fillet(plate.edges(), lip[1] / 4)
    return body


def _round(rod: dict) -> Part:
    radius, length = rod["diameter"] / 2, rod["length"]
    straight = length - 2 * (rod["neck_length"] + radius)
    body = ALONG * Cylinder(radius, straight)
    for side in (-1, 1):
        body += Pos(side * straight / 2, 0, 0) * Sphere(radius)
    cutter = Box(length, radius, 2 * radius)
    body -= Pos(0, rod["inward_y"] * (rod["level"] + radius / 2), 0) * cutter
    body += ALONG * Cylinder(rod["neck"] / 2, length)
    for side in (-1, 1):
        body += Pos(side * length / 2, 0, 0) * Sphere(rod["ball"] / 2)
    return body


def main(rods: str, folder: str, chord: str, turn: str) -> None:
    seconds, wanted = 0.0, json.loads(Path(rods).read_text("utf-8"))
    for counted in (False, True):
        for rod in wanted:
            start = time.process_time()
            body = modelled(rod)
            export_step(body, f"{folder}/build123d.step")
            export_stl(body, f"{folder}/build123d.stl", float(chord), float(turn))
            seconds += counted * (time.process_time() - start)
    print(json.dumps({"seconds": seconds, "rods": len(wanted)}))


if __name__ == "__main__":
    main(*sys.argv[1:])
