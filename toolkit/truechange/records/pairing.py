"""Pair before with after: one score a visit by a stated rule, one row a person, and why a pair is not comparable."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from truechange.foundation.errors import ChoiceError, RefusedError, check_choice, listed
from truechange.foundation.result import Result
from truechange.measures.catalogue import Measure
from truechange.measures.catalogue import measure as measure_named
from truechange.records.rules import Ledger, known_word, refused, squeezed, word_list

TRIALS = ("refuse", "mean", "best", "first", "last")
STATUS = {"unable": "unable", "refused": "refused", "not_done": "not tested"}
ABOUT = ("programme", "site", "therapist", "joint", "sex", "outcome", "stop_reason", "planned_sessions")
UNITS = {"seat_height_cm": " cm", "step_height_cm": " cm", "course_m": " m"}


@dataclass(frozen=True)
class Pairs(Result):
    """Before and after of one test, a row for each person who has a record at the first occasion.

    Parameters
    ----------
    measure : Measure
        The test; scores are in its unit.
    before_occasion, after_occasion : str
        The two occasions.
    frame : DataFrame
        ``person, before, after, improvement`` (positive = better), ``comparable, why_not, before_date, after_date``,
        and what is known of the person: ``rating, programme, site, therapist, joint, age, sex, outcome, stop_reason,
        planned_sessions``.
    ledger : Ledger
        All rows of the assessments table: used in comparable pairs, or set aside by reason.
    trials : str
        How several trials of one visit became one score.
    cautions : tuple of str
        Protocol facts not recorded, testers that changed, pairs that are not comparable.
    safe_cautions : tuple of str
        The same without numbers.
    """

    measure: Measure
    before_occasion: str
    after_occasion: str
    frame: pd.DataFrame
    ledger: Ledger
    trials: str = "refuse"
    cautions: tuple[str, ...] = ()
    safe_cautions: tuple[str, ...] = ()

    def public(self) -> "Pairs":
        """Return the pairs with cautions that count nobody."""
        return replace(self, cautions=self.safe_cautions)

    @property
    def usable(self) -> pd.DataFrame:
        """The comparable pairs."""
        return self.frame[self.frame["comparable"]].reset_index(drop=True)

    def table(self) -> pd.DataFrame:
        """Return the frame, a row a person."""
        return self.frame

    def sentences(self) -> tuple[str, ...]:
        """Say how many pairs there are and why others are not."""
        usable, everyone = int(self.frame["comparable"].sum()), len(self.frame)
        why = self.frame.loc[~self.frame["comparable"], "why_not"].value_counts()
        said = "; ".join(f"{count} {reason}" for reason, count in why.items())
        reasons = f" ({said})" if said else ""
        first = f"{self.measure.name}: {usable} of {everyone} people with a record at {self.before_occasion} have"
        return (f"{first} a comparable score at {self.after_occasion}{reasons}.", *self.ledger.sentences())


def time_between(pairs: pd.DataFrame) -> str:
    """Return the median time between `before_date` and `after_date` in words ("12 weeks"); empty where not known."""
    if not {"before_date", "after_date"} <= set(pairs):
        return ""
    days = (pd.to_datetime(pairs["after_date"]) - pd.to_datetime(pairs["before_date"])).dt.days.median()
    return "" if days != days else f"{days / 7:.0f} weeks" if days >= 14 else f"{days:.0f} days"


def pair(records: Any, measure: "str | Measure", *, before: str, after: str, trials: str = "refuse") -> Pairs:
    """Pair each person's score at `before` with the one at `after`.

    Parameters
    ----------
    records : Records
        What was read.
    measure : str or Measure
        The test.
    before, after : str
        Occasions, such as ``"baseline"`` and ``"discharge"``; other usual names of them are understood.
    trials : {"refuse", "mean", "best", "first", "last"}
        How several trials in one visit become one score. The rule changes what the score means, and reliability must
        come from the same rule; so by default several trials are refused.

    Returns
    -------
    Pairs

    Raises
    ------
    ChoiceError
        The test or an occasion does not occur, the occasions are the wrong way round, or `trials` is not one of the
        listed values.
    RefusedError
        A visit has several trials and no rule was given.
    """
    check_choice("trials", trials, TRIALS)
    test, rows = measure_named(measure), records.assessments
    names = tuple(word_list("occasion").get(squeezed(name), name.lower()) for name in (before, after))
    if names[0] == names[1]:
        raise ChoiceError(f"before and after are both {names[0]!r}; give two different occasions.")
    of_test = rows[rows["measure"] == test.key]
    if of_test.empty:
        there = listed(rows["measure"].dropna().unique(), 20)
        raise ChoiceError(f"No usable row for {test.key} in {records.name or 'the records'}; there is: {there}.")
    for name in names:
        if not (of_test["occasion"] == name).any():
            there = listed(of_test["occasion"].dropna().unique(), 20)
            raise ChoiceError(f"No row for {test.key} at {name!r}; its occasions are: {there}.")
    first, second = (_visit(of_test[of_test["occasion"] == name], name, test, trials) for name in names)
    both = first.add_suffix("_before").join(second.add_suffix("_after"), how="left")
    dated = both["date_before"].notna() & both["date_after"].notna()
    if dated.any() and _backwards(both)[dated].mean() > 0.5:
        raise refused("backwards", ChoiceError, before=names[0], after=names[1])
    both["why_not"] = _why_not(both, test, names)
    frame, account = _described(both, test, records, names[1]), _account(records, of_test, both, names)
    cautions = [_cautions(both, test, names, counted=counted) for counted in (True, False)]
    return Pairs(test, names[0], names[1], frame, account, trials, *cautions)


def _backwards(both: pd.DataFrame) -> pd.Series:
    """Return which people have an after that is dated earlier than their before."""
    return (both["date_after"] < both["date_before"]).fillna(False).astype(bool)


def _visit(rows: pd.DataFrame, occasion: str, test: Measure, trials: str) -> pd.DataFrame:
    """Return one row a person at one occasion, indexed by person: value, date, result, protocol, assessor, mixed."""
    scored = rows[rows["result"] == "measured"].sort_values(["person", "trial", "date", "source_row"])
    several = scored.loc[scored["person"].duplicated(), "person"].unique()
    if len(several) and trials == "refuse":
        facts = {"test": test.key, "occasion": occasion, "count": len(several), "people": listed(several)}
        raise refused("several_trials", RefusedError, **facts)
    kept = scored.drop_duplicates("person", keep="last" if trials == "last" else "first").set_index("person")
    groups = scored.groupby("person")
    if trials == "mean":
        kept = kept.assign(value=groups["value"].mean())
    elif trials == "best":
        kept = scored.loc[groups["value"].idxmax() if test.sign > 0 else groups["value"].idxmin()].set_index("person")
    mixed = pd.Series(False, index=kept.index)
    for fact in test.protocol:
        mixed |= groups[fact].nunique().reindex(kept.index) > 1
    others = rows[~rows["person"].isin(kept.index)].sort_values(["person", "trial"], kind="stable")
    others = others.drop_duplicates("person").set_index("person").assign(value=np.nan)
    visits = kept.assign(mixed=mixed)
    visits = pd.concat([visits, others.assign(mixed=False)]) if len(others) else visits
    facts = dict.fromkeys(("value", "date", "result", "assessor", "mixed", "source_row", *test.protocol))
    return visits[list(facts)].sort_index()


def _why_not(both: pd.DataFrame, test: Measure, names: tuple[str, ...]) -> pd.Series:
    why: Any = pd.Series("", index=both.index, dtype=object)
    for fact in test.protocol:
        differs, _ = _differs(both, fact, test)
        sides = both.loc[differs, [f"{fact}_before", f"{fact}_after"]].itertuples(index=False)
        shown = [f"{_words(fact)} changed ({_say(fact, a)} to {_say(fact, b)}{UNITS.get(fact, '')})" for a, b in sides]
        why.loc[differs] = [f"{old}; {new}" if old else new for old, new in zip(why[differs], shown, strict=True)]
    mixed = both["mixed_before"].eq(True) | both["mixed_after"].eq(True)
    why.loc[mixed] = "protocol differs between trials of one visit"
    why.loc[_backwards(both)] = f"{names[1]} dated before {names[0]}"
    for name, when in zip(reversed(names), ("after", "before"), strict=True):
        why.loc[both[f"value_{when}"].isna()] = f"no score at {name}"
        for result, words in STATUS.items():
            why.loc[both[f"result_{when}"].eq(result).fillna(False)] = f"{words} at {name}"
    return why


def _words(fact: str) -> str:
    return fact.removesuffix("_cm").removesuffix("_m").replace("_", " ")


def _say(fact: str, value: Any) -> str:
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float | int) else known_word(fact, str(value))


def _differs(both: pd.DataFrame, fact: str, test: Measure) -> tuple["np.ndarray", "np.ndarray"]:
    """Return which pairs differ in a protocol fact, and in which it is not known on both sides."""
    a, b = both[f"{fact}_before"], both[f"{fact}_after"]
    unknown = (a.isna() | b.isna()).to_numpy()
    if fact in test.tolerances or pd.api.types.is_float_dtype(a.dtype):
        far = (a.astype(float) - b.astype(float)).abs().to_numpy() > test.tolerances.get(fact, 0.0) + 1e-9
        return far & ~unknown, unknown
    return (a.astype(object) != b.astype(object)).to_numpy() & ~unknown, unknown


def _described(both: pd.DataFrame, test: Measure, records: Any, after: str) -> pd.DataFrame:
    """Return the pairs' frame, with what is known of each person joined on."""
    frame = pd.DataFrame({"person": both.index.to_numpy()})
    frame["before"], frame["after"] = both["value_before"].to_numpy(float), both["value_after"].to_numpy(float)
    frame["improvement"] = test.improvement(frame["before"], frame["after"])
    frame["comparable"] = (both["why_not"] == "").to_numpy()
    frame["why_not"] = both["why_not"].astype("str").to_numpy()
    frame["before_date"], frame["after_date"] = both["date_before"].to_numpy(), both["date_after"].to_numpy()
    ratings = records.ratings[records.ratings["occasion"] == after].drop_duplicates("person").set_index("person")
    if len(ratings):
        frame["rating"] = frame["person"].map(ratings["rating"])
    people = records.people.drop_duplicates("person").set_index("person")
    for name in ABOUT:
        if name in people and people[name].notna().any():
            frame[name] = frame["person"].map(people[name])
    if len(people):
        age = frame["person"].map(people["age"])
        frame["age"] = age.fillna(frame["before_date"].dt.year - frame["person"].map(people["birth_year"]))
    return frame


def _account(records: Any, of_test: pd.DataFrame, both: pd.DataFrame, names: tuple[str, ...]) -> Ledger:
    """Account for every row of the assessments table: used in a comparable pair, or why not."""
    reasons = dict(zip(records.set_aside["reason"], records.set_aside["count"], strict=True))
    reasons["another test"] = len(records.assessments) - len(of_test)
    here = of_test[of_test["occasion"].isin(names)]
    reasons["another occasion"] = len(of_test) - len(here)
    lone = ~here["person"].isin(both.index)
    reasons[f"no record at {names[0]}"] = int(lone.sum())
    shown = here[~lone].merge(both["why_not"], left_on="person", right_index=True)
    plain = shown["why_not"].str.replace(r" \(.*?\)", "", regex=True)
    for reason, count in plain[plain != ""].value_counts().items():
        reasons[str(reason)] = reasons.get(str(reason), 0) + int(count)
    return Ledger.of(len(records.assessments) + int(records.set_aside["count"].sum()), reasons)


def _cautions(both: pd.DataFrame, test: Measure, names: tuple[str, ...], *, counted: bool) -> tuple[str, ...]:
    """Say what is not known of the protocol, where the tester changed, and how many pairs are not comparable."""

    def how_many(part: int) -> str:
        return f"{part} of {len(complete)}" if counted else "some"

    complete = both[both["value_before"].notna() & both["value_after"].notna()]
    testers = complete[["assessor_before", "assessor_after"]].dropna()
    changed = int((testers["assessor_before"] != testers["assessor_after"]).sum())
    unlike = int((complete["why_not"] != "").sum())
    unknown = {_words(fact).capitalize(): int(_differs(complete, fact, test)[1].sum()) for fact in test.protocol}
    notes = {f"{fact} is not recorded on both occasions for {how_many(count)} pairs: whether it was the same is "
             "not known.": count for fact, count in unknown.items()}  # fmt: skip
    notes |= {
        f"The tester changed in {how_many(changed)} pairs; different testers measure differently.": changed,
        f"{how_many(unlike).capitalize()} people with both scores are not comparable: the test was done differently "
        f"at {names[1]}.": unlike,
    }
    return tuple(words for words, count in notes.items() if count)
