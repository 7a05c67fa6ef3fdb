"""Responders counted inside a database (query pushdown): one ibis expression, of which only counts ever come back."""

from collections.abc import Callable, Sequence
from typing import Any

from truechange.foundation.errors import DataError
from truechange.foundation.numbers import reaches
from truechange.numerics.small_cells import LEAST
from truechange.programme.periods import EVERY

NUMBER = r"^\s*[+-]?([0-9]{1,40}(\.[0-9]{0,40})?|\.[0-9]{1,40})([eE][+-]?[0-9]{1,2})?\s*$"
DAY = r"^([0-9]{4})-(0[1-9]|1[0-2])-(?:0[1-9]|[12][0-9]|3[01])"  # of a date written as text; the day is not used
WHERE = ("of other occasions", "of other tests", "of unknown people", "without a number")
START, PERIODS = "start_date", tuple(f"start_{one}" for one in EVERY)  # month, quarter, year
LARGEST = 1.7976931348623157e308  # NaN sorts above it in some engines and is missing in others: neither is a score


def safe_to_show(
    started: Any, measured: Any, changed: Any, few: Callable[[Any], Any], protect: Callable[..., Any]
) -> tuple[Any, Any, Any]:
    """Return what is hidden of groups: their sizes, how many changed enough, how many were measured.

    The one rule for arrays and for columns of a database: `few` and `protect` are those of
    :mod:`truechange.numerics.small_cells`, or their form as window functions.
    """
    away = started - measured
    sizes = protect(started, few(started))
    counts = protect(changed, few(changed) | few(started - changed) | sizes) | sizes
    return sizes, counts, protect(away, few(away) | few(measured) | few(measured - changed) | sizes) | sizes


def counts_asked(
    assessments: Any, people: Any, limits: Sequence[tuple[str, float, float]], by: Sequence[str],
    occasions: tuple[str, str], *, hide: bool = True,
) -> Any:  # fmt: skip
    """Return the one expression of a registry's counts: a row for each group and test, the account beside them.

    Parameters
    ----------
    assessments, people : ibis.Table
        person, occasion, measure, value; and person with the columns of `by`.
    limits : sequence of (str, float, float)
        Key of a test, its sign (1 where more is better, else −1), the smallest change that counts, in its unit.
    by : sequence of str
        Columns of `people`, or ``PERIODS`` of its ``start_date``.
    occasions : tuple of str
        First and second.
    hide : bool, optional
        Whether small counts, and what would give them away, become null inside the engine.

    Returns
    -------
    ibis.Table
        ``place`` of the test in `limits`; ``g0``, ``g1`` ... of `by`; ``started``, ``measured``, ``changed``, each null
        where hidden; and, in every row the same, ``people``, ``twice`` (rows of people more than once), ``doubled``
        (scores of one place more than once), ``rows_read``, ``used`` and ``why0`` ... in the order of ``WHERE``; of the
        test, ``seen`` and ``reached`` (people of all groups together who were measured, who changed enough).

    Raises
    ------
    DataError
        The codes of people are text in one table and numbers in the other.
    """
    import ibis

    if assessments.person.type().is_string() != people.person.type().is_string():
        raise DataError("person is text in one table and not in the other: cast one of them, so that people are found.")
    names = [f"g{at}" for at in range(len(by))]
    grouped = people.select("person", **{to: _group(people, name) for to, name in zip(names, by, strict=True)})
    rows = _rows_with_reason(assessments, grouped, [key for key, *_ in limits], occasions)
    reasons = {f"why{at}": _many(rows.why == at) for at in range(len(WHERE))}
    account = rows.aggregate(rows_read=rows.count(), used=_many(rows.why == len(WHERE)), **reasons)
    codes = grouped.select("person").distinct()
    twice = grouped.aggregate(people=grouped.count()).cross_join(codes.aggregate(codes=codes.count()))
    whole = account.cross_join(twice.select("people", twice=twice.people - twice.codes))
    cells = _cells(rows.filter(rows.why == len(WHERE)), grouped, limits, names, occasions)
    counts = ibis.union(*(
        cells.select(*names, "started", "doubled", place=ibis.literal(at), measured=f"m{at}", changed=f"c{at}")
        for at in range(len(limits))
    ))  # fmt: skip
    one_test = ibis.window(group_by="place")
    sums = {"doubled": counts.doubled, "seen": counts.measured, "reached": counts.changed}
    counts = counts.mutate(**{name: column.sum().over(one_test) for name, column in sums.items()})
    counts = _small_ones_hidden(counts, names) if hide else counts
    return counts.select(*names, "place", "started", "measured", "changed", *sums).cross_join(whole)


def _many(condition: Any) -> Any:
    return condition.ifelse(1, 0).sum()


def _group(people: Any, name: str) -> Any:
    """Return a column of `by`, or a period of the start; null where it is not known."""
    if name not in PERIODS:
        column = people[name]
        return column.isnan().ifelse(None, column) if column.type().is_floating() else column
    start = people[START]
    if start.type().is_string():
        start = start.re_search(DAY).ifelse(start, None)
        year, month = start.substr(0, 4), start.substr(5, 2)
    else:
        year, month = start.year().cast("string"), start.month().cast("string").lpad(2, "0")
    quarter = ((month.cast("int64") + 2) // 3).cast("string")
    return dict(zip(PERIODS, (year + "-" + month, year + " Q" + quarter, year), strict=True))[name]


def _rows_with_reason(assessments: Any, people: Any, keys: list[str], occasions: tuple[str, str]) -> Any:
    """Return the assessments, value as a number or null, and in ``why`` the first reason not to use a row."""
    import ibis

    value = assessments.value
    if value.type().is_string():
        value = value.re_search(NUMBER).ifelse(value.strip(), None)
    rows = assessments.select("person", "occasion", "measure", value=value.cast("float64"))
    known = people.filter(people.person.notnull()).select("person", known=True)
    rows = rows.left_join(known, "person").select(*rows.columns, "known")
    unused = (~rows.occasion.isin(occasions), ~rows.measure.isin(keys), rows.known.isnull(), rows.value.abs() > LARGEST)
    missing = (rows.occasion, rows.measure, rows.person, rows.value)
    steps = [(bad | cell.isnull(), at) for at, (bad, cell) in enumerate(zip(unused, missing, strict=True))]
    return rows.mutate(why=ibis.cases(*steps, else_=len(WHERE)))


def _cells(used: Any, people: Any, limits: Sequence[tuple[str, float, float]], names: list[str], occasions: Any) -> Any:
    """Return one row a group: people who started, for each test those measured and those who changed enough."""
    wide = used.group_by("person").aggregate(
        scores=used.count(),
        **{
            f"{when}{at}": used.value.max(where=(used.measure == key) & (used.occasion == occasion))
            for at, (key, *_) in enumerate(limits)
            for when, occasion in zip("ba", occasions, strict=True)
        },
    )
    folk = people.left_join(wide, "person")
    places: Any = 0
    counts: dict[str, Any] = {}
    for at, (_, sign, limit) in enumerate(limits):
        before, after = folk[f"b{at}"], folk[f"a{at}"]
        gain = sign * (after - before)
        places += _many(before.notnull()) + _many(after.notnull())
        counts |= {f"m{at}": _many(gain.notnull()), f"c{at}": _many(reaches(gain, limit))}
    people = folk.group_by(names) if names else folk
    return people.aggregate(started=folk.count(), doubled=folk.scores.sum().fill_null(0) - places, **counts)


def _small_ones_hidden(table: Any, names: list[str]) -> Any:
    """Return the counts, null where :func:`safe_to_show` hides them, by window functions in stages.

    A stage for :func:`truechange.numerics.small_cells.protect`: the small ones first, then the others by size; what is
    hidden in the end is the shortest beginning of that list that nobody can solve. Of two alike the first is hidden, in
    the engine's own order of words.
    """
    import ibis

    one_test: dict[str, Any] = {"group_by": "place"}
    marks: list[str] = []

    def protect(count: Any, small: Any) -> Any:
        nonlocal table
        table = table.mutate(people=count, small=small & (count > 0))
        row = one_test | {"order_by": [table.small.ifelse(0, (table.people > 0).ifelse(1, 2)), table.people, *names]}
        table = table.mutate(
            at=ibis.row_number().over(**row) + 1, total=table.people.sum().over(ibis.cumulative_window(**row)),
            left=table.people.lead(1).over(**row), least=_many(table.small).over(**one_test),
        )  # fmt: skip
        two = (table.at == 2) & (table.left > 0) & (table.total - table.left >= LEAST - 1)
        solved = (table.at == 1) | (table.total == table.at) | two.fill_null(False)
        table = table.mutate(stop=((table.at >= table.least) & ~solved).ifelse(table.at, None))
        table = table.mutate(end=table.stop.min().over(**one_test))
        hide = (table.people > 0) & (table.least > 0) & (table.end.isnull() | (table.at <= table.end))
        marks.append(f"hide{len(marks)}")
        table = table.mutate(**{marks[-1]: hide})
        return table[marks[-1]]

    hidden = safe_to_show(
        table.started, table.measured, table.changed, lambda count: (count > 0) & (count < LEAST), protect
    )
    shown = dict(zip(("started", "changed", "measured"), hidden, strict=True))
    return table.mutate(**{name: hide.ifelse(None, table[name]) for name, hide in shown.items()})
