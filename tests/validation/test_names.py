"""A public name stays what it is, whichever module was imported before."""

import subprocess
import sys

import truechange as tc
from truechange.validation.cases import case_ids, load_case


def test_no_module_of_a_room_hides_a_public_function_of_the_same_name():
    rooms = sorted({home.split(".")[0] for home in tc._HOME.values()})
    assert len(rooms) > 5
    code = (
        "import pkgutil, importlib, types\n"
        f"rooms = [importlib.import_module('truechange.' + name) for name in {rooms!r}]\n"
        "for room in rooms:\n"
        "    for one in pkgutil.iter_modules(room.__path__): importlib.import_module(f'{room.__name__}.{one.name}')\n"
        f"public = {[(home, name) for name, home in tc._HOME.items() if home in rooms]!r}\n"
        "homes = {home: importlib.import_module('truechange.' + home) for home, _ in public}\n"
        "print([name for home, name in public if isinstance(getattr(homes[home], name), types.ModuleType)])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_check_names_the_function_it_goes_through():
    from oracles import ROUTES, test_oracles  # noqa: F401 -- importing the tests registers every route

    for by in [*(case.by for case in map(load_case, case_ids()) if case.ours), *(one.by for one in ROUTES.values())]:
        assert by.startswith(("tc.", "truechange.", "statsmodels"))
        for word in by.replace(",", " ").split():
            if word.startswith("tc."):
                assert hasattr(tc, word.removeprefix("tc.")), word
