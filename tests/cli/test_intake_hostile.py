"""Files that no sheet saved: whatever stands in them, they are read or refused in sentences."""

from __future__ import annotations

import copy
import json
import random

import pytest

from labkit.catalog.rods import rod_templates
from labkit.errors import LabkitError
from labkit.ledger.store import look_into
from labkit.workflow.intake.file import read_clinic_file
from labkit.workflow.intake.means import Lab
from labkit.workflow.intake.prescribed import looked_at, source_of
from labkit.workflow.intake.proposal import propose_intake, propose_prescription
from tests.cli.test_intake import HEAD, NOW, filled, trial
from tests.cli.test_intake_prescriptions import REVISED

__all__ = ["filled"]
ODD = (
    "", " ", "0", "-1", "1e99", "NaN", "∞", "٣٤", "30.1L", "30,1", "9" * 50, "../../x", "=1+1",
    "<script>", "\u202e", "\x00", "\ud800", "😀", None, True, -1, 10**25, 1.5, [], {}, [[]],
    {"a": {}}, "2031-02-30", "0001-01-01", "9999-12-31", "meets", "lost", "trial", "0000000000",
    "27.8R", "00027.8", "27.8 meets", "--by", "50;60", '"\n[bite]\n',
)
WHOLE = (
    trial(),
    {"kind": "follow-up", "left": "30.6", "right": "30.6"},
    {"kind": "rods", "rods": [{"rod": "482 917 3065", "became": "lost"}]},
    {"kind": "prescription", "keys": REVISED},
)


def spoilt(chance):
    """One of the files, changed in one to three places."""
    file = {**HEAD, "told": copy.deepcopy(chance.choice(WHOLE))}
    for _ in range(chance.randint(1, 3)):
        node = file
        while True:
            keys = list(node) if isinstance(node, dict) else list(range(len(node)))
            if not keys:
                break
            key = chance.choice(keys)
            if isinstance(node[key], (dict, list)) and chance.random() < 0.6:
                node = node[key]
                continue
            if chance.random() < 0.8:
                node[key] = copy.deepcopy(chance.choice(ODD))
            else:
                del node[key]
            break
    return json.dumps(file).encode()


@pytest.mark.parametrize("count", [80, pytest.param(3000, marks=pytest.mark.slow)])
def test_a_spoilt_file_is_read_or_refused_and_changes_nothing(count, filled):
    chance, templates, ends = random.Random(count), rod_templates(), set()
    with look_into(str(filled[0])) as reader:
        before = reader.head()
        for _ in range(count):
            raw = spoilt(chance)
            try:
                file = read_clinic_file(raw, "sent.json")
                if file.told.kind == "prescription":
                    sent = looked_at((source_of(file, file.told, "sent.json"),), templates, None)
                    proposal = propose_prescription(reader, file, sent, NOW, "sent.json")
                else:
                    lab = Lab(reader, lambda: None, NOW)
                    proposal = propose_intake(lab, file, "sent.json")
                ends.add(bool(proposal.refused))
            except LabkitError as error:
                str(error).encode()  # what is told can be printed
                ends.add(type(error).__name__)
        assert reader.head() == before
    assert {"InputErrors", "InputError"} <= ends
