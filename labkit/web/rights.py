"""Who may do what: every address of the workplace, by name, and the roles that it serves."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType

#: Names of a machine for itself.
LOOPBACK = ("127.0.0.1", "localhost", "::1")


class Role(StrEnum):
    """What somebody does here."""

    #: Somebody who has not signed in.
    NOBODY = "nobody"
    TECHNICIAN = "technician"
    DENTIST = "dentist"
    QA = "QA"
    #: On a machine of one's own, without accounts: all three.
    ALL = "all"


#: Roles that an account can have.
ROLES = (Role.TECHNICIAN, Role.DENTIST, Role.QA)
_EVERYBODY = frozenset(Role)
_SIGNED_IN = _EVERYBODY - {Role.NOBODY}
_LAB = frozenset({Role.TECHNICIAN, Role.QA, Role.ALL})

_MEASURES = frozenset({Role.QA, Role.ALL})
_MAKES = frozenset({Role.TECHNICIAN, Role.ALL})
#: A dentist or the laboratory for one; QA cannot change a prescription.
_PRESCRIBES = frozenset({Role.TECHNICIAN, Role.DENTIST, Role.ALL})
#: Who hands out rods that are not released or not to be worn, and takes back a rejection.
OVERRULES = frozenset({Role.QA, Role.ALL})
#: Who takes back as a mistake what others recorded.
CORRECTS = _LAB

#: Name of an address → who may ask for it. One that is missing here serves nobody.
RIGHTS: Mapping[str, frozenset[Role]] = MappingProxyType({
    "static": _EVERYBODY,
    "fonts": _EVERYBODY,
    "guide": _EVERYBODY,
    "guide_frame": _EVERYBODY,
    "guide_picture": _EVERYBODY,
    "guide_page": _EVERYBODY,
    "sign_in": _EVERYBODY,
    "signed_in": _EVERYBODY,
    "sign_out": _SIGNED_IN,
    "today": _SIGNED_IN,
    "cases": _SIGNED_IN,
    "case": _SIGNED_IN,
    "case_since": _SIGNED_IN,
    "set_file": _SIGNED_IN,
    "set_zip": _LAB,
    "paper": _SIGNED_IN,
    "find_rod": _SIGNED_IN,
    "rod": _SIGNED_IN,
    "rods_told": _SIGNED_IN,
    "between": _SIGNED_IN,
    "between_make": _MAKES,
    "trial": _SIGNED_IN,
    "trial_accept": _PRESCRIBES,
    "trial_withdraw": _PRESCRIBES,
    "set_make": _MAKES,
    "rod_make_anew": _MAKES,
    "sheet_today": _SIGNED_IN,
    "sheet_printed": _SIGNED_IN,
    "papers_printed": _LAB,
    "proposals": _SIGNED_IN,
    "proposal_sent": _SIGNED_IN,
    "proposal": _SIGNED_IN,
    "proposal_confirmed": _MAKES,
    "proposal_aside": _MAKES,
    "measure_find": _MEASURES,
    "measure": _MEASURES,
    "measure_judged": _MEASURES,
    "measure_recorded": _MEASURES,
    "new_case": _PRESCRIBES,
    "revise": _PRESCRIBES,
    "prescription_look": _PRESCRIBES,
    "prescription_file": _PRESCRIBES,
    "prescription_jaw": _PRESCRIBES,
    "prescription_solids": _PRESCRIBES,
    "solids_state": _PRESCRIBES,
    "solids_file": _PRESCRIBES,
    "jaw": _SIGNED_IN,
    "set_solids": _SIGNED_IN,
    "prescribe": _PRESCRIBES,
    "prescribed": _PRESCRIBES,
    "scan_measured": _MEASURES,
    "inspection": _LAB,
    "rods_rejected": _MEASURES,
    "rod_measured_used_as_is": _MEASURES,
    "set_release": _MEASURES,
    "set_release_withheld": _MEASURES,
    "certificate": _SIGNED_IN,
    **dict.fromkeys(
        ("process", "process_look", "gauge_study", "gauge_studied", "calibration", "calibrated"),
        _LAB,
    ),
    "jobs": _LAB,
    "job": _LAB,
    "job_state": _LAB,
    "job_again": _LAB,  # and whoever may ask for such a make at all
    "api_openapi": _EVERYBODY,
    "api_token": _EVERYBODY,
    "api_token_end": _SIGNED_IN,
    "api_lengths": _SIGNED_IN,
    "api_cases": _SIGNED_IN,
    "api_case": _SIGNED_IN,
    "api_sheet": _SIGNED_IN,
    "api_rod": _SIGNED_IN,
    "api_told": _SIGNED_IN,
    "api_head": _SIGNED_IN,
    "api_intake": _SIGNED_IN,
    "api_prescribe": _PRESCRIBES,
    "api_readings": _MEASURES,
    "api_make": _MAKES,
    "api_jobs": _LAB,
    "api_job": _LAB,
})

#: Addresses that pages ask for by themselves.
BY_THEMSELVES = frozenset({"case_since", "job_state", "solids_state"})


def may(role: Role, name: str) -> bool:
    """Tell whether a role may ask for an address."""
    return role in RIGHTS.get(name, frozenset())
