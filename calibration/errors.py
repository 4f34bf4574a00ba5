"""The errors a weaver can meet, one family with stable codes.

Tree::

    PickglassError
      UsageError            exit code 2: a wrong option, an unreadable or unwritable file
        PhotoError          the file is no photo that can be read
      RefusedError          exit code 4: the photo can be read but not measured
        ScaleError          no card, two cards, card cut off, no resolution tag
        SampleError         no cloth found, cut off, not woven
        QualityError        too blurred, too dark, threads too fine for the photo

Programming mistakes stay `ValueError` and `TypeError`.
"""

__all__ = [
    "PhotoError",
    "PickglassError",
    "QualityError",
    "RefusedError",
    "SampleError",
    "ScaleError",
    "UsageError",
]


class PickglassError(Exception):
    """Something a weaver can act on.

    Parameters
    ----------
    code : str
        Stable identifier in kebab-case, for scripts and tests, e.g. ``"no-card"``.
    problem : str
        One sentence: what happened or what was seen.
    next_step : str
        One sentence: what to do next.
    """

    exit_code = 2

    def __init__(self, code: str, problem: str, next_step: str) -> None:
        super().__init__(code, problem, next_step)  # all three, so that pickling between processes works
        self.code = code
        self.problem = problem
        self.next_step = next_step

    def __str__(self) -> str:
        return f"{self.problem} {self.next_step}"


class UsageError(PickglassError):
    """The command was asked for something it cannot do, or a file cannot be used."""


class PhotoError(UsageError):
    """The file is not a photo that can be read."""


class RefusedError(PickglassError):
    """The photo was read, but measuring it would give a number nobody should trust."""

    exit_code = 4


class ScaleError(RefusedError):
    """The scale of the photo cannot be fixed."""


class SampleError(RefusedError):
    """No woven sample can be measured in the photo."""


class QualityError(RefusedError):
    """The photo is too blurred, too dark or too coarse for its threads."""
