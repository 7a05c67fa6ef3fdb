"""One audit of the invented clinic for all tests of the report."""

from pathlib import Path

import pandas as pd
import pytest

import truechange as tc

DATA = Path(__file__).parents[2] / "data_synthetic"


@pytest.fixture(scope="session")
def clinic_audit():
    return tc.audit(
        tc.read(DATA / "clinic.xlsx"),
        measures=["chair_stand_30s", "timed_up_and_go", "pain_0_10"],
        primary="chair_stand_30s",
        programme="leg power",
        compare="waiting list",
        retest=pd.read_csv(DATA / "retest.csv"),
        n_boot=100,
    )


@pytest.fixture(scope="session")
def clinic_page(clinic_audit):
    from truechange.reporting.audit_report import audit_page

    return audit_page(clinic_audit)
