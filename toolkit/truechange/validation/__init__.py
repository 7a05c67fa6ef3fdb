"""The validation room: reference cases that are computed again, and the stored tables of long simulation studies."""

from pathlib import Path
from typing import TYPE_CHECKING

from truechange.foundation.errors import check_choice

if TYPE_CHECKING:
    import pandas as pd

RESULTS = Path(__file__).parent / "results"


def simulated(name: str) -> "pd.DataFrame":
    """Return the stored table of a simulation study with known truth; too long to run again, its seed is in the table.

    Parameters
    ----------
    name : str
        ``"dropouts"``: mean, share and MCID, a quarter lost; ``"entry_rule"``: MCID, true share and claims about
        one person of people taken in for a low score; ``"intake_recall"``: faults found in damaged files;
        ``"mcid_simulation"``: bias and coverage of every MCID estimator; ``"mcid_edges"``: the MCID where an assumption
        is broken; ``"person_calibration"``: claims about one person; ``"reliability_coverage"``: coverage of the
        intervals of reliability; ``"responder_coverage"``: coverage of the share truly changed.

    Raises
    ------
    ChoiceError
        No such table is stored.

    Examples
    --------
    >>> float(simulated("responder_coverage")["coverage"].min())
    0.9455
    """
    import pandas as pd

    check_choice("name", name, sorted(path.stem for path in RESULTS.glob("*.csv")))
    return pd.read_csv(RESULTS / f"{name}.csv")
