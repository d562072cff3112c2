"""A slow, obvious solution of the jaw models as DEVELOPERS.md, The design, states them.

It uses nothing of labkit's solver.

Points are moved one at a time with SciPy's Rotation; SciPy's root finder meets the six conditions.
Only the prescription values are shared with the program.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import least_squares, root
from scipy.spatial.transform import Rotation


class NoSolutionError(Exception):
    """SciPy did not arrive."""


def numbers(prescription):
    """The bite readings as floats: zero reading, deviation per mm, registered minus zero."""
    bite = prescription.bite
    zero = float(bite.retruded if str(bite.zero) == "retruded" else bite.habitual)
    per_mm = 0.0
    if bite.midline_deviation_mm:
        per_mm = float(bite.midline_deviation_mm) / (float(bite.protruded) - float(bite.retruded))
    return zero, per_mm, float(bite.registered) - zero


def displacement(prescription, percent):
    zero, _, registered = numbers(prescription)
    return percent / 100 * (float(prescription.bite.protruded) - zero) - registered


def registered_length(side):
    if side.pin_distance_mm is not None:
        return side.pin_distance_mm
    return np.linalg.norm(np.subtract(side.upper, side.lower))


def plane(angle_deg):
    return np.array([np.sin(np.radians(angle_deg)), 0.0, np.cos(np.radians(angle_deg))])


def move(pose, point, incisal):
    point, incisal = np.asarray(point), np.asarray(incisal)
    return Rotation.from_rotvec(pose[3:]).apply(point - incisal) + incisal + pose[:3]


def standing_conditions(pose, jaw):
    """Conditions 1 to 3 and the displacement of the mean pad along its plane's normal."""
    def moved(point):
        return move(pose, point, jaw.incisal) - np.asarray(point)

    left, right = moved(jaw.condyle_left), moved(jaw.condyle_right)
    pads = (moved(jaw.pads_left) + moved(jaw.pads_right)) / 2
    alpha_left, alpha_right = jaw.condylar_inclination_deg
    return [
        plane(alpha_left) @ left, plane(alpha_right) @ right, (left + right)[1] / 2,
        plane(jaw.contact_inclination_deg) @ pads,
    ]


def rod(pose, side, jaw):
    return np.linalg.norm(np.asarray(side.upper) - move(pose, side.lower, jaw.incisal))


def solve(equations, start):
    # Rotations are sought in units of 1/50 rad, so that all six unknowns are of one size.
    scale = np.array([1, 1, 1, 0.02, 0.02, 0.02])
    found = root(lambda q: equations(q * scale), np.asarray(start) / scale, tol=1e-13)
    pose = found.x * scale
    if np.abs(equations(pose)).max() > 1e-10:
        fit = least_squares(
            lambda q: equations(q * scale), found.x, xtol=1e-15, ftol=1e-15, gtol=1e-15
        )
        pose = fit.x * scale
    if np.abs(equations(pose)).max() > 1e-9:
        raise NoSolutionError
    return pose


def hinged_pose(prescription, d):
    """Design: the incisal point's x and y displacement are given."""
    jaw = prescription.jaw
    _, per_mm, _ = numbers(prescription)

    def equations(pose):
        return np.array([
            *standing_conditions(pose, jaw), pose[0] - d, pose[1] - per_mm * d,
        ])
    return solve(equations, np.zeros(6))


def hinged_read(prescription, lengths, start=None):
    """Reading back: the rods are changed in two parts from those of the pose started from."""
    jaw, left, right = prescription.jaw, prescription.left, prescription.right
    pose = np.zeros(6) if start is None else start
    begin = np.array([rod(pose, left, jaw), rod(pose, right, jaw)])
    for part in (0.5, 1.0):
        wanted = begin + part * (np.asarray(lengths) - begin)

        def equations(pose, wanted=wanted):
            return np.array([
                *standing_conditions(pose, jaw),
                rod(pose, left, jaw) - wanted[0], rod(pose, right, jaw) - wanted[1],
            ])
        pose = solve(equations, pose)
    return pose


def hinged_open(prescription, lengths, drop):
    """Opening: condition 4 is replaced by a drop of the incisal point; 1 mm at a time."""
    jaw, left, right = prescription.jaw, prescription.left, prescription.right
    pose = hinged_read(prescription, lengths)
    begin = -pose[2]
    for wanted in np.linspace(begin, drop, 2 + int(abs(drop - begin))):
        def equations(pose, wanted=wanted):
            return np.array([
                *standing_conditions(pose, jaw)[:3], pose[2] + wanted,
                rod(pose, left, jaw) - lengths[0], rod(pose, right, jaw) - lengths[1],
            ])
        pose = solve(equations, pose)
    return pose


def slid(prescription, side, d):
    """The sliding model's rod at a displacement."""
    _, per_mm, _ = numbers(prescription)
    fall = d * np.tan(np.radians(prescription.jaw.path_inclination_deg))
    lower = np.asarray(side.lower) + np.array([d, per_mm * d, -fall])
    return np.linalg.norm(np.asarray(side.upper) - lower)


def exact_lengths(prescription, d):
    """Left and right rod length at a displacement from the registered bite."""
    sides = (prescription.left, prescription.right)
    model = str(prescription.jaw.model)
    if model == "straight":
        sign = 1 if str(prescription.action) == "pull" else -1
        return np.array([registered_length(side) - sign * d for side in sides])
    if model == "sliding":
        return np.array([slid(prescription, side, d) for side in sides])
    pose = hinged_pose(prescription, d)
    return np.array([rod(pose, side, prescription.jaw) for side in sides])


def rates(prescription, d, width=0.02):
    """dL/dd by a five-point difference; its error is of the order of width⁴."""
    def at(where):
        return exact_lengths(prescription, d + where * width)
    return (at(-2) - 8 * at(-1) + 8 * at(1) - at(2)) / (12 * width)


def side_displacement(prescription, side, length):
    """One side of the straight or sliding model read by itself, next to the registered bite."""
    if str(prescription.jaw.model) == "straight":
        sign = 1 if str(prescription.action) == "pull" else -1
        return sign * (registered_length(side) - length)
    d = 0.0
    begin = slid(prescription, side, 0.0)
    for part in np.linspace(0.2, 1.0, 5):
        wanted = begin + part * (length - begin)
        found = root(
            lambda x, wanted=wanted: [slid(prescription, side, x[0]) - wanted], [d], tol=1e-14
        )
        d = found.x[0]
    return d


def made(prescription, d, lengths):
    """What the JSON calls made, by name; None where the model does not know.

    The search starts from the pose asked for, at the displacement d.
    """
    zero, per_mm, registered = numbers(prescription)
    span = float(prescription.bite.protruded) - zero
    nothing = dict.fromkeys(
        ("side_mismatch_mm", "deviation_mm", "pitch_deg", "yaw_deg", "roll_deg",
         "pad_gap_left_mm", "pad_gap_right_mm")
    )
    if str(prescription.jaw.model) == "hinged":
        pose = hinged_read(prescription, lengths, hinged_pose(prescription, d))
        roll, pitch, yaw = np.degrees(pose[3:])
        found = {
            "deviation_mm": pose[1], "pitch_deg": pitch, "yaw_deg": yaw, "roll_deg": roll,
            "pad_gap_left_mm": pad_gap(pose, prescription.jaw, "left"),
            "pad_gap_right_mm": pad_gap(pose, prescription.jaw, "right"),
        }
        d = pose[0]
    else:
        left = side_displacement(prescription, prescription.left, lengths[0])
        right = side_displacement(prescription, prescription.right, lengths[1])
        d = (left + right) / 2
        found = {"side_mismatch_mm": left - right}
        if str(prescription.jaw.model) == "sliding":
            found["deviation_mm"] = per_mm * d
    advancement = registered + d
    return {
        **nothing, **found, "advancement_mm": advancement, "percent": 100 * advancement / span,
    }


def pad_gap(pose, jaw, side):
    """Height of the contact plane above the moved pad."""
    pad = np.asarray(jaw.pads_left if side == "left" else jaw.pads_right)
    x, _, z = move(pose, pad, jaw.incisal)
    plane_height = pad[2] - (x - pad[0]) * np.tan(np.radians(jaw.contact_inclination_deg))
    return plane_height - z
