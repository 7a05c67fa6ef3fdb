"""Importing the package is cheap and pulls in nothing heavy."""

import subprocess
import sys

import pytest

HEAVY = ("scipy.stats", "statsmodels", "matplotlib", "pingouin", "sklearn")


def _modules_after(code: str) -> set[str]:
    command = f"import sys\n{code}\nprint('\\n'.join(sys.modules))"
    ran = subprocess.run([sys.executable, "-c", command], capture_output=True, text=True, check=True)
    return set(ran.stdout.split())


def test_importing_loads_nothing_heavy():
    assert not set(HEAVY) & _modules_after("import truechange")


def test_the_overview_of_commands_loads_nothing_heavy():
    loaded = _modules_after("from truechange.cli.main import main\nmain(['--help'])")
    assert not {*HEAVY, "pandas", "numpy"} & loaded


@pytest.mark.parametrize("words", [[], ["nonsense"]])
def test_misuse_exits_with_2(words):
    ran = subprocess.run([sys.executable, "-m", "truechange.cli.main", *words], capture_output=True, text=True)
    assert ran.returncode == 2
    assert "commands:" in ran.stdout or "choose one of" in ran.stderr
