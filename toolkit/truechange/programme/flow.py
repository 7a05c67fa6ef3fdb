"""Who started, who was tested, who can be compared, and why the others cannot."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from truechange.foundation.numbers import percent
from truechange.foundation.result import Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class Flow(Result):
    """The way from starting to being counted, for one test.

    Parameters
    ----------
    started, tested_before, tested_after, comparable : int
        People who started; had a first score; had a second score too; and whose two scores may be compared.
    reasons : DataFrame
        Why the others are not comparable: reason, people. Adds up with `comparable` to `started`.
    cautions : tuple of str
        What a reader must know.
    """

    started: int
    tested_before: int
    tested_after: int
    comparable: int
    reasons: pd.DataFrame
    cautions: tuple[str, ...]

    @property
    def why(self) -> dict[str, int]:
        """Reason: people."""
        return dict(zip(self.reasons["reason"], map(int, self.reasons["people"]), strict=True))

    @property
    def without(self) -> int:
        """People who started and cannot be compared."""
        return self.started - self.comparable

    def table(self) -> pd.DataFrame:
        """Return the steps and the reasons: step, people, share_of_started."""
        steps = [
            ("started", self.started),
            ("tested before", self.tested_before),
            ("tested after", self.tested_after),
            ("comparable", self.comparable),
        ]
        steps += [(f"not comparable: {why}", people) for why, people in self.why.items()]
        frame = pd.DataFrame(steps, columns=["step", "people"])
        return frame.assign(share_of_started=frame["people"] / self.started)

    def sentences(self) -> tuple[str, ...]:
        """Say how many of those who started can be compared; then, apart from it, why not the others."""
        said = (
            f"{self.comparable} of the {self.started} people who started ({percent(self.comparable / self.started)}) "
            "have two scores that may be compared."
        )
        why = "; ".join(f"{why}: {people}" for why, people in self.why.items())
        return (said, f"The other {self.without}: {why}.") if self.without else (said,)

    @property
    def alt(self) -> str:
        """The picture in words."""
        return "Boxes from started to comparable with the people lost between them. " + self.sentence()

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw the steps as boxes, widths in proportion to people, the reasons beside the last."""
        from truechange.foundation import drawing

        steps = self.table().iloc[:4]
        ax = drawing.axes(ax, height=3.2)
        for at, (step, people) in enumerate(zip(steps["step"], steps["people"], strict=True)):
            ax.barh(at, people, height=0.62, color=drawing.ACCENT if at == 3 else drawing.LINE)
            ax.text(self.started * 0.01, at, f"{people} {step}", va="center", fontsize=9,
                    color="white" if at == 3 else drawing.INK)  # fmt: skip
        why = "\n".join(f"{people} {why}" for why, people in self.why.items())
        ax.text(self.started * 1.03, 3, why, va="center", fontsize=8, color=drawing.INK, linespacing=1.4)
        ax.set_ylim(3.6, -0.6)
        ax.set_xlim(0, self.started * 1.6)
        ax.axis("off")
        return ax


def flow_of(people: pd.DataFrame) -> Flow:
    """Count the steps of one test.

    Parameters
    ----------
    people : DataFrame
        One row a person who started: before, after, comparable, why_not.
    """
    usable = people["comparable"].astype(bool)
    why = people.loc[~usable, "why_not"].replace("", "reason not known").value_counts()
    reasons = pd.DataFrame({"reason": why.index.astype(str), "people": why.to_numpy()})
    started, kept = len(people), int(usable.sum())
    notes = []
    if started and kept / started < 0.7:
        notes.append(
            f"{percent(1 - kept / started)} of those who started cannot be compared: read every result with the bounds "
            "for the missing."
        )
    return Flow(
        started=started,
        tested_before=int(people["before"].notna().sum()),
        tested_after=int((people["before"].notna() & people["after"].notna()).sum()),
        comparable=kept,
        reasons=reasons,
        cautions=tuple(notes),
    )
