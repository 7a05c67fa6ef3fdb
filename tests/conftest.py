"""House rules for every test: no display, no touch of the global random state."""

from pathlib import Path

import matplotlib
import numpy as np
import pytest
from matplotlib import pyplot

import truechange as tc
from truechange.measures.catalogue import FOLLOWS, OWN

# not by MPLBACKEND: notebook kernels started by this process would inherit it and draw nothing
matplotlib.use("Agg")


@pytest.fixture(autouse=True)
def _leave_the_global_random_state_alone():
    before = np.random.get_state()[1].copy()  # noqa: NPY002
    yield
    assert (np.random.get_state()[1] == before).all(), "the test or the library touched numpy's global random state"  # noqa: NPY002


@pytest.fixture(autouse=True, scope="module")
def _leave_no_figure_open_for_the_next_file():
    yield
    pyplot.close("all")


@pytest.fixture(scope="session")
def demo_study():
    """The study of the invented clinic, for every test that reads one."""
    data = Path(__file__).parents[1] / "data_synthetic"
    known = {"measure": "chair_stand_30s", "programme": "leg power", "trials": "last", "resamples": 100}
    return tc.study(data / "retest.csv", data, **known, interval="1 week")


@pytest.fixture(autouse=True)
def _no_test_of_ones_own_is_left_from_another_test():
    if OWN:
        OWN.clear()
        for forget in FOLLOWS:
            forget()
