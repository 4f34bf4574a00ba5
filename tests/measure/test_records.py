"""Results as plain Python."""

import json
import math
from dataclasses import dataclass, field

import numpy as np
import pytest

from pickglass.measure.records import SETT_COLUMNS, empty_record, to_dict


@dataclass(frozen=True)
class Inner:
    places: np.ndarray = field(default_factory=lambda: np.array([[1.0, math.nan]]))
    names: frozenset[str] = frozenset(("b", "a"))


@dataclass(frozen=True)
class Outer:
    inner: Inner = Inner()
    number: np.float64 = field(default_factory=lambda: np.float64(2.5))
    wrong: float = math.inf
    pairs: tuple[int, ...] = (1, 2)


def test_to_dict_holds_nothing_but_plain_python():
    made = to_dict(Outer())
    assert made == {
        "inner": {"places": [[1.0, None]], "names": ["a", "b"]},
        "number": 2.5,
        "wrong": None,
        "pairs": [1, 2],
    }
    assert type(made["number"]) is float
    assert json.loads(json.dumps(made)) == made


def test_every_record_has_the_same_keys_in_the_same_order():
    record = empty_record("a.jpg", verdict="refused", message="no-card")
    assert tuple(record) == SETT_COLUMNS
    assert record["verdict"] == "refused"


def test_importing_the_package_loads_nothing():
    import subprocess
    import sys

    code = "import sys, pickglass.measure as m; print('numpy' in sys.modules, callable(m.measure_photo))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]


def test_unknown_names_are_said():
    import pickglass.measure

    with pytest.raises(AttributeError, match="no attribute 'measure_knits'"):
        _ = pickglass.measure.measure_knits
