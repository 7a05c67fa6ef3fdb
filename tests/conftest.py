"""House rules for every test: no display, no touch of the global random state."""

import matplotlib
import numpy as np
import pytest
from matplotlib import pyplot

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
