"""Long simulations say the same in every joblib back end; what dask's workers said is kept."""

import json
from pathlib import Path

import numpy as np
import pytest
from joblib import parallel_config
from numpy.testing import assert_allclose

from simulation.backends import numbers


@pytest.fixture(scope="module")
def here():
    return numbers()


@pytest.mark.parametrize("backend", ["threading", "loky"])
def test_no_number_moves_with_the_workers(here, backend):
    with parallel_config(backend=backend, n_jobs=2):
        assert numbers() == here


def test_dask_on_this_machine_alone_said_the_same(here):
    # a run of its own (tests/simulation/backends.py), whose result is kept
    kept = json.loads((Path(__file__).parent / "backends_dask.json").read_text(encoding="utf-8"))
    for name, values in here.items():
        assert_allclose(np.array(kept[name], float), np.array(values, float), rtol=1e-9, err_msg=name)
