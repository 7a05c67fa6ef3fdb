"""One audit of the invented clinic for all tests of the report."""

from dataclasses import is_dataclass
from pathlib import Path

import pandas as pd
import pytest
from walks import walked

import truechange as tc
from truechange.reporting.audit_report import AuditReport
from truechange.reporting.files import stamp
from truechange.reporting.methods import in_words

DATA = Path(__file__).parents[2] / "data_synthetic"


@pytest.fixture(scope="session")
def clinic_audit():
    return tc.audit(
        tc.read(DATA),
        measures=["chair_stand_30s", "timed_up_and_go", "pain_0_10"],
        primary="chair_stand_30s",
        programme="leg power",
        compare="waiting list",
        retest=pd.read_csv(DATA / "retest.csv"),
        n_boot=100,
    )


@pytest.fixture(scope="session")
def clinic_page(clinic_audit):
    return AuditReport(clinic_audit).page()


@pytest.fixture(scope="session")
def written(clinic_audit, tmp_path_factory):
    """The audit's files, written twice."""
    made = stamp([], {"seed": clinic_audit.seed})
    return [AuditReport(clinic_audit, made).write(tmp_path_factory.mktemp("written") / "out") for _ in range(2)]


@pytest.fixture(scope="session")
def cautions_within():
    """Every caution that a result or any part of it holds."""
    return lambda held: list(
        dict.fromkeys(text for part in walked(held) if is_dataclass(part) for text in getattr(part, "cautions", ()))
    )


@pytest.fixture(scope="session")
def shown_caution():
    """A caution as a report writes it, in small letters: the name of its tests may stand ahead."""
    return lambda text: in_words(text).lower()
