"""The one-person page: a form on loopback, the answer beside it, and pages to hand over."""

from typing import Any


def show(height: int = 820) -> Any:
    """Show the one-person form in a notebook cell; it is served from the kernel's own process, on loopback only.

    Parameters
    ----------
    height : int, optional
        Of the frame, in pixels.

    Raises
    ------
    MissingPartError
        The extra ``page`` is not installed.
    """
    from IPython.display import IFrame

    from truechange.page.serve import serving

    _OPEN.append(serving())
    return IFrame(_OPEN[-1].__enter__(), width="100%", height=height)


_OPEN: list[Any] = []  # pages shown in this kernel: each is served until the kernel ends
