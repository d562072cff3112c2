"""Facts of the case sheet: what the dentist judges a set by, fits it with and writes on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from labkit.catalog.profiles import profile_of
from labkit.core.case.identifier import grouped
from labkit.core.grading.prescription import MOST_SIDEWAYS_MM, Jaw, Prescription, Zero
from labkit.core.grading.steps import SpacerSet, Step
from labkit.documents.bite_scale_drawing import bite_scale
from labkit.documents.figures import fixed, on_the_gauge, percents, sentence, signed
from labkit.documents.fitting import graded_now, rods_at_hand, start_now, to_be_tried, warmth
from labkit.documents.frame import frame_facts
from labkit.documents.inspection import lines_of
from labkit.documents.set_spec import Spec, prescription_of, template_of
from labkit.documents.standing import (
    at_step,
    own_set,
    percent_now,
    series_now,
    what_holds,
    words_on,
)
from labkit.documents.step_plot import MOST_NARROW_STEPS, NARROW_MM, WIDTH_MM, step_plot
from labkit.documents.svg import drawing_facts
from labkit.documents.told_then import AS_OF_ORDER, told_then
from labkit.units import plain

NAME = "case-sheet"
#: A side mismatch below this is lost in the seats and not worth a table.
SHOWN_MISMATCH_MM = 0.005
#: The list of averages says in plain words, with values, what this finding says by key.
SHOWN_ELSEWHERE = frozenset({"average_values"})
#: Stands where a side's rod is not out any more.
NO_ROD = "–"
#: Stands where a pair cannot be read back on the prescription that holds now.
NOT_READ = "–"
_POSITION_COLUMNS = (
    ("side_mismatch_mm", "mismatch", 2),
    ("deviation_mm", "sideways", 2),
    ("pitch_deg", "pitch", 1),
    ("yaw_deg", "yaw", 1),
    ("roll_deg", "roll", 1),
    ("pad_gap_left_mm", "gap_left", 2),
    ("pad_gap_right_mm", "gap_right", 2),
)


def facts(spec: Spec) -> dict[str, Any]:
    """Work out what stands on the case sheet."""
    prescription, lengths = prescription_of(spec), graded_now(spec)
    texts, steps, now = profile_of(spec).texts.of(NAME), lengths.steps, words_on(spec, NAME)
    words = texts.tables
    known = what_holds(spec) is not None
    return {
        **frame_facts(spec, NAME),
        "about": _about(spec, prescription, lengths, words),
        "bite_scale": drawing_facts(bite_scale(prescription.bite, lengths, words["bite_scale"])),
        "steps": _step_rows(spec, steps),
        "own_set": own_set(spec),
        "replaced": _replaced(spec, words["replacement"]),
        "series": _series_rows(spec, words["case_sheet"]),
        "grid": plain(float(prescription.grading.grid_mm)),
        "position": _position(steps, words["case_sheet"]),
        "plots": [
            drawing_facts(step_plot(steps, words["step_plot"], width))
            for width in (WIDTH_MM, NARROW_MM)
            if width == WIDTH_MM or len(steps) <= MOST_NARROW_STEPS
        ],
        "averages": _averages(prescription.jaw, lengths.assumed, words["assumed"]),
        "jaw_model": lengths.jaw_model,
        "now": [*now.not_worn(spec), *now.not_held(spec), *now.within_rounding(spec),
                *now.gone(spec)],
        "now_language": texts.language_of("standing"),
        "findings_language": texts.language_of("findings"),
        "findings": [
            sentence(told_then(texts.told(finding.code, finding.message, finding.values)))
            for finding in lengths.findings
            if finding.code not in SHOWN_ELSEWHERE
            and not (known and finding.code in AS_OF_ORDER)
        ],
        "trial_fit": now.trial_fit(spec),
        "tried": to_be_tried(spec),
        "rods": [{**row, "mark": row["words"]} for row in rods_at_hand(spec)],
        "warmth": warmth(spec),
    }


def _about(
    spec: Spec, prescription: Prescription, lengths: SpacerSet,
    words: Mapping[str, Any],
) -> list[list[str]]:
    """List the lines at the head: name and value."""
    sheet, models = words["case_sheet"], words["models"]
    bite, template = prescription.bite, template_of(spec)
    zero = bite.retruded if lengths.zero is Zero.RETRUDED else bite.habitual
    assert zero is not None  # a set that is made has it
    rows = [
        ("prescriber", prescription.prescriber),
        ("start", start_now(spec)),
        ("zero", models[lengths.zero].replace("{mm}", on_the_gauge(float(zero), sign=True))),
        ("action", models[lengths.action]),
        ("template", f"{template.title} ({template.name})"),
        ("model", models[lengths.jaw_model]),
    ]
    if bite.vertical_opening_mm is not None:
        opening = on_the_gauge(float(bite.vertical_opening_mm))
        rows.append(("opening", sheet["opening_value"].replace("{mm}", opening)))
    if bite.midline_deviation_mm:
        deviation = on_the_gauge(float(bite.midline_deviation_mm), sign=True)
        rows.append(("deviation", sheet["deviation_value"].replace("{mm}", deviation)))
    rows.append(("hold", _hold(prescription, lengths.steps, sheet)))
    rows.append(("notes", prescription.notes))
    if mark := prescription.case_mark:
        rows.append(("case_mark", sheet["case_mark_value"].replace("{mark}", mark)))
    return [[sheet[name], value] for name, value in rows if value]


def _hold(prescription: Prescription, steps: Sequence[Step], sheet: Mapping[str, Any]) -> str:
    """Say how far rods within tolerance let the jaw move; empty for sets that do not tell it."""
    known = [step.hold for step in steps if step.hold and step.hold.forward_mm is not None]
    if not known:
        return ""
    forward = fixed(max(hold.forward_mm or 0.0 for hold in known), 2)
    sideways = [hold.sideways_mm for hold in known if hold.sideways_mm is not None]
    words = str(sheet["hold_value" if sideways else "hold_forward"]).replace("{forward}", forward)
    words = words.replace("{sideways}", fixed(max(sideways, default=0.0), 2))
    most = prescription.grading.most_sideways_mm
    if most <= MOST_SIDEWAYS_MM:
        return words
    return f"{words}; {str(sheet['hold_more']).replace('{most}', plain(most))}"


def _step_rows(spec: Spec, steps: Sequence[Step]) -> list[dict[str, Any]]:
    words = words_on(spec, NAME)
    asked = percents(step.percent for step in steps)
    made = [step.made.advancement_mm for step in steps]
    return [
        {
            "step": str(number),
            "start": step.start,
            "percent": asked[number - 1],
            "percent_made": fixed(step.made.percent, 1),
            "percent_now": percent_now(at_step(spec, number)),
            "mark": words.beside(at_step(spec, number)),
            "advancement": fixed(step.advancement_mm, 2),
            "advancement_made": fixed(made[number - 1], 2),
            "change": signed(made[number - 1] - made[number - 2], 2) if number > 1 else "",
            "left": step.left.label,
            "right": step.right.label,
        }
        for number, step in enumerate(steps, 1)
    ]


def _replaced(spec: Spec, words: Mapping[str, Any]) -> list[dict[str, str]]:
    """Give the rods of a set that takes the place of others, one a line; else nothing."""
    replaced = {(one["step"], one["side"]): one for one in spec.get("replaces") or ()}
    rows = []
    for line in lines_of(spec) if replaced else ():
        old = replaced[line.step, line.side]
        where = str(words["place"]).replace("{step}", str(line.step))
        rows.append({
            "new": grouped(line.identifier),
            "label": line.label + line.mark,
            "place": where.replace("{side}", str(words[line.side])),
            "old": grouped(old["identifier"]),
            "set": old["set"],
            "mark": words_on(spec, NAME).mark(at_step(spec, line.step)),
        })
    return rows


def _series_rows(spec: Spec, sheet: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Give the rows of the whole series, where rods of other sets are in circulation too.

    Where the record can be asked, what it says now; else as it was when a set of extra rods was
    made.
    """
    now, words = series_now(spec), words_on(spec, NAME)
    if now:
        rows = [
            (new, pair.start, pair.set_number, pair.step, pair.makes.percent,
             pair.makes.advancement_mm, pair.makes.left, pair.makes.right, words.beside(pair))
            for pair, new in now if pair.makes is not None
        ]
    else:
        rows = [
            (row["new"], False, row["set_revision"], row["step"], row["percent"],
             row["advancement_mm"], row["left"], row["right"], "")
            for row in spec.get("series", ())
        ]
    made = [row[5] for row in rows]
    return [
        {
            "new": new,
            "start": start,
            "place": str(sheet["series_place"]).replace("{revision}", str(number))
            .replace("{step}", str(step)),
            "percent": NOT_READ if share is None else fixed(share, 1),
            "mark": struck,
            "advancement": NOT_READ if advancement is None else fixed(advancement, 2),
            "change": _change(made[at - 1], advancement) if at else "",
            "left": left or NO_ROD,
            "right": right or NO_ROD,
        }
        for at, (new, start, number, step, share, advancement, left, right, struck)
        in enumerate(rows)
    ]


def _change(before: float | None, after: float | None) -> str:
    return NOT_READ if before is None or after is None else signed(after - before, 2)


def _position(steps: Sequence[Step], sheet: Mapping[str, Any]) -> dict[str, Any] | None:
    """Give the table of what the made pair does besides advancing; None if it says nothing."""
    columns = [
        (key, name, decimals)
        for key, name, decimals in _POSITION_COLUMNS
        if any(getattr(step.made, key) is not None for step in steps)
    ]
    hinged = any(key == "pitch_deg" for key, _, _ in columns)
    apart = any(abs(step.made.side_mismatch_mm or 0) >= SHOWN_MISMATCH_MM for step in steps)
    if not hinged and not apart:
        return None
    return {
        "head": [sheet["step"], *(sheet[name] for _, name, _ in columns)],
        "rows": [
            [str(number),
             *(signed(getattr(step.made, key), decimals) for key, _, decimals in columns)]
            for number, step in enumerate(steps, 1)
        ],
        "note": sheet["position_note" if hinged else "mismatch_note"],
    }


def _averages(jaw: Jaw, assumed: Sequence[str], words: Mapping[str, Any]) -> list[str]:
    out = []
    for name in assumed:
        unit = "mm" if hasattr(jaw, name) else "°"
        value = getattr(jaw, name if unit == "mm" else f"{name}_deg")
        out.append(f"{words[name]}: {_value(value, unit)}")
    return out


def _value(value: float | Sequence[float], unit: str) -> str:
    space = "" if unit == "°" else " "
    if isinstance(value, (int, float)):
        return f"{fixed(value, 1)}{space}{unit}"
    if unit == "°":
        return " / ".join(f"{fixed(v, 1)}°" for v in value)
    return f"({', '.join(fixed(v, 1) for v in value)}) mm"
