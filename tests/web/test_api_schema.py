"""Whatever a program sends within the description, or beside it, is answered as described.

Schemathesis makes it up: `pip install schemathesis`, and run this file with `pytest -m slow`.
"""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings

from labkit.web.accounts import Accounts
from labkit.web.api.routes import description
from labkit.web.app import application
from labkit.web.rights import Role
from tests.support.workplaces import client_of, workplace

schemathesis = pytest.importorskip("schemathesis", reason="schemathesis is not installed")
pytestmark = pytest.mark.slow
PASSPHRASE = "coffin verse plaid igloo"
CHECKS = [getattr(schemathesis.checks, name) for name in (
    "not_a_server_error", "status_code_conformance", "content_type_conformance",
    "response_schema_conformance",
)]


def test_no_answer_is_an_error_of_the_program(ledger, tmp_path, still):
    accounts = Accounts(tmp_path / "accounts.json")
    accounts.add("tom", Role.TECHNICIAN, PASSPHRASE)
    place = workplace(ledger, accounts=accounts)
    app = application(place)
    signed = client_of(place, by="", app=app).post("/api/token", auth=("tom", PASSPHRASE))
    headers = {"Authorization": f"Bearer {signed.json()['token']}"}
    schema = schemathesis.openapi.from_asgi("/api/openapi.json", app)
    asked = []
    for operation in schema.exclude(operation_id="api_token_end").get_all_operations():
        for mode in schemathesis.GenerationMode:
            answered(operation.ok().as_strategy(generation_mode=mode), headers, asked)
    assert len(asked) > 1000
    assert len(set(asked)) == len(description()["paths"])


def answered(cases, headers, asked):
    """Send whatever is made up to one address."""

    @settings(
        max_examples=60, deadline=None, derandomize=True, database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(case=cases)
    def send(case):
        asked.append(case.operation.path)
        answer = case.call(headers=headers)
        case.validate_response(answer, checks=CHECKS)

    send()
