"""An invented lab's own instruments: files as it would write them, in calibration."""

from __future__ import annotations

from pathlib import Path

from labkit.catalog.places import templates_dir

DUE = "2032-09-30"
_DUE = f"due = {DUE}                # certificate in the instrument's folder\n"
#: Example file → what the lab's own says otherwise.
_OWN = {
    "example-micrometer": (
        ('"example-micrometer"', '"micrometer-7"'),
        ("Example outside micrometer", "Outside micrometer 7"),
        ("[calibration]\n", f"[calibration]\n{_DUE}"),
    ),
    "example-pins": (
        ('"example-pins"', '"pins-2"'),
        ("Example gauge pins, 1 to 5 mm in steps of 0.01 mm (excerpt)", "Gauge pins 2"),
        ("example = true\n", f"\n[calibration]\n{_DUE}"),
    ),
}


def write_instruments(folder: Path) -> Path:
    """Write the lab's files into a new folder; give it."""
    folder.mkdir()
    for example, changes in _OWN.items():
        text = (templates_dir() / "instruments" / f"{example}.toml").read_text("utf-8")
        _, _, rest = text.partition("schema = 1")
        for old, new in (
            *changes, ("example = true\n", ""),
            ('"Invented example; not calibrated"', '"Invented certificate 4471"'),
        ):
            rest = rest.replace(old, new)
        name = "micrometer-7" if "micrometer" in example else "pins-2"
        (folder / f"{name}.toml").write_text(
            f"# Invented, as everything of this lab.\n\nschema = 1{rest}", "utf-8"
        )
    return folder
