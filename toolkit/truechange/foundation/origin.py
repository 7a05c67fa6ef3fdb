"""Where a number comes from; it travels with the number into every table, sentence and caption."""

from dataclasses import dataclass

KINDS = ("own data", "published", "stated")
STATUSES = ("own", "checked", "recomputed", "from memory", "stated")


@dataclass(frozen=True, slots=True)
class Origin:
    """Provenance of one number.

    Parameters
    ----------
    kind : {"own data", "published", "stated"}
        Estimated here, taken from a publication, or typed by the user.
    citation : str
        Author, year, journal; empty for own data.
    doi : str
        Digital object identifier, if known.
    population : str
        Who was measured.
    protocol : str
        How the test was done.
    interval : str
        Time between the two tests, in words.
    n : int or None
        People behind the number.
    status : {"own", "checked", "recomputed", "from memory", "stated"}
        How a published number was verified; shown wherever the number is.
    note : str
        Anything a reader must know before using it.
    trials : int or None
        Trials of one visit averaged to the score that the number speaks of; None where not stated.
    """

    kind: str
    citation: str = ""
    doi: str = ""
    population: str = ""
    protocol: str = ""
    interval: str = ""
    n: int | None = None
    status: str = "own"
    note: str = ""
    trials: int | None = None

    @classmethod
    def own(cls, population: str = "", protocol: str = "", interval: str = "", n: int | None = None) -> "Origin":
        """Return the origin of a number estimated from the user's own data."""
        return cls("own data", population=population, protocol=protocol, interval=interval, n=n, status="own")

    @classmethod
    def stated(cls, note: str = "") -> "Origin":
        """Return the origin of a bare number typed by the user: it says that nothing is known of it."""
        return cls("stated", status="stated", note=note or "typed by the user, source not stated")

    @property
    def is_own(self) -> bool:
        """Whether the number was estimated from the user's own data."""
        return self.kind == "own data"

    def sentence(self) -> str:
        """Say where the number comes from, in one clause without a full stop."""
        if self.kind == "own data":
            people = f", {self.n} people" if self.n else ""
            who = f" ({self.population})" if self.population else ""
            gap = f", {self.interval} apart" if self.interval else ""
            mean = f", means of {self.trials} trials" if self.trials and self.trials > 1 else ""
            return f"own data{who}{people}{mean}{gap}"
        if self.kind == "published":
            people = f", n = {self.n}" if self.n else ""
            who = f"; {self.population}{people}" if self.population else people
            apart = f" {self.interval} apart" if self.interval[:1].isdigit() else f": {self.interval}"
            gap = f"; tests{apart}" if self.interval else ""
            return f"{self.citation}{who}{gap} [{self.status}]"
        return self.note
