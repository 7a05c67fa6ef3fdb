"""A public name stays what it is, whichever module was imported before."""

import subprocess
import sys

import pytest

import truechange as tc
from truechange.validation.cases import load_cases


@pytest.mark.parametrize("room", sorted({home.split(".")[0] for home in tc._HOME.values()}))
def test_no_module_of_a_room_hides_a_public_function_of_the_same_name(room):
    names = [name for name, home in tc._HOME.items() if home == room]
    code = (
        f"import pkgutil, importlib, types, truechange.{room} as room\n"
        "for found in pkgutil.iter_modules(room.__path__): importlib.import_module(f'{room.__name__}.{found.name}')\n"
        f"print([name for name in {names!r} if isinstance(getattr(room, name), types.ModuleType)])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_check_names_the_function_it_goes_through():
    from oracles import ROUTES, test_oracles  # noqa: F401 -- importing the tests registers every route

    for by in [*(case.by for case in load_cases() if case.ours), *(one.by for one in ROUTES.values())]:
        assert by.startswith(("tc.", "truechange.", "statsmodels"))
        for word in by.replace(",", " ").split():
            if word.startswith("tc."):
                assert hasattr(tc, word.removeprefix("tc.")), word
