"""A remark that travels with a result: a stable code and a sentence for a weaver."""

from dataclasses import dataclass

__all__ = ["Notice"]


@dataclass(frozen=True, slots=True)
class Notice:
    """One remark about a measurement.

    Attributes
    ----------
    code : str
        Stable identifier in kebab-case, e.g. ``"card-unconfirmed"``.
    text : str
        What it means and what to do, in plain words.
    doubt : bool
        Whether it makes the reading unsure.
    """

    code: str
    text: str
    doubt: bool = False
