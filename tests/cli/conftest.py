"""What the tests of the commands share: the reports that a command prints, as data."""

from __future__ import annotations

import pytest

from labkit.cli import print_report
from tests.workflow.conftest import measured_once, two_steps

__all__ = ["measured_once", "two_steps"]


@pytest.fixture
def reports(monkeypatch):
    """Reports shown by the commands run since, the last one last."""
    shown, show = [], print_report.show_report

    def noted(report, *where):
        shown.append(report)
        show(report, *where)

    monkeypatch.setattr(print_report, "show_report", noted)
    return shown
