"""A progress bar for anything longer than two seconds: on a terminal only, never in a file or a pipe."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress(total: int, words: str) -> Iterator[Callable[[str], None]]:
    """Yield ``step(words)``, to be called as each of `total` parts begins.

    On a terminal a bar is drawn on standard error; elsewhere nothing is printed.
    """
    if not sys.stderr.isatty():
        yield lambda _words: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description:<44}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(words, total=total)
        begun = False

        def step(now: str) -> None:
            nonlocal begun
            bar.update(task, description=now[:44], advance=1 if begun else 0)
            begun = True

        yield step
        bar.update(task, completed=total)
