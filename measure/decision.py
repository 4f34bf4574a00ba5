"""What `sett` asks for before it believes a reading, and what it takes for granted beforehand.

One home for the figures that decide between *measured*, *unsure* and *refused*: the measurement uses them, and so does the
fit of the weights (tests/arbiter/fit_settle.py), whose probabilities they are read against. All are chosen, not fitted.
"""

from __future__ import annotations

__all__ = [
    "MOST_TRIALS",
    "NOT_WOVEN",
    "OUTLINED_LOG_ODDS",
    "REPEATED",
    "SAME_PITCH",
    "SURE",
    "SURE_WHEN_FINE",
    "TABLE_BESIDE_MM",
    "WOVEN",
    "WOVEN_WHEN_TURNED",
]

SURE = 0.9
"""Least calibrated probability of both readings for the verdict `measured`."""

SURE_WHEN_FINE = 0.97
"""The same where the threads are nearly too fine for the photo."""

REPEATED = 0.5
"""Share of the structure of a plain weave that its repeat explains (`repeat.plain_share`), from which threads that are fine, or
faint one by one, are believed all the same: more than half of what is seen comes again with every second thread."""

NOT_WOVEN, WOVEN = 0.4, 0.7
"""Probability of a woven surface below which it is refused, and from which it is believed."""

WOVEN_WHEN_TURNED = 0.9
"""The same for a picture that was turned: three looks at a picture give chance three times the opportunity."""

OUTLINED_LOG_ODDS = 1.0
"""What speaks beforehand for a woven surface with an outline, natural logarithm of the odds.

Who lays a piece with an outline beside a card wants it measured; of whole pictures less is known beforehand.
"""

TABLE_BESIDE_MM = 9.0
"""Table kept beside the cloth: some three threads of coarse wool, to tell its outermost ends from table."""

MOST_TRIALS = 5
"""Pairs of pitches that are tried on the cloth."""

SAME_PITCH = 0.06
"""Natural logarithm; trials that end this close have found the same threads of one system."""
