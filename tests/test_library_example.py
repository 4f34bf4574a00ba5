"""pickglass from Python: the example of the README, run as it stands here.

    from pickglass.measure import measure_photo, sett_record

    measurement = measure_photo("sample_images/wash_before.jpg")
    record = sett_record(measurement.result, measurement.plane)

`record` is one flat row with names such as ``ends_per_inch`` and ``ends_u95_per_inch``; ``pandas.DataFrame([record])``
takes it as it is. `measurement.result` holds the same as a frozen dataclass, ``to_dict(measurement.result)`` as nested
dictionaries for JSON. A photo that cannot be measured raises `pickglass.calibration.errors.PickglassError`, whose
``problem`` and ``next_step`` are sentences to show. Remembered cards and lenses belong to the command line; from Python
give `SettOptions` and a scale instead: ``measure_photo(path, SettOptions(all_cloth=True), px_per_mm=42.0)``, or
``points=(410, 820, 2630, 845, 150)`` for two points 150 mm apart, or ``rule="mm"`` for a steel rule beside the cloth.
"""

import json
import textwrap
from pathlib import Path

import pytest

from pickglass.measure import to_dict
from pickglass.measure.records import SETT_COLUMNS

ROOT = Path(__file__).resolve().parents[1]


def example() -> str:
    """The indented lines of this file's docstring."""
    lines = [line for line in (__doc__ or "").splitlines() if line.startswith("    ") or not line]
    return textwrap.dedent("\n".join(lines))


@pytest.fixture(scope="module")
def ran() -> dict:
    names: dict = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(ROOT)
        exec(compile(example(), "the example", "exec"), names)  # noqa: S102 - our own docstring
    return names


def test_example_gives_the_truth_of_the_demo_photo(ran):
    truth = json.loads((ROOT / "sample_images" / "wash_before.json").read_text(encoding="utf-8"))
    record = ran["record"]
    assert tuple(record) == SETT_COLUMNS
    assert record["photo"] == "wash_before.jpg"
    assert abs(record["ends_per_inch"] - truth["epi_centre"]) <= record["ends_u95_per_inch"]
    assert abs(record["picks_per_inch"] - truth["ppi"]) <= record["picks_u95_per_inch"]


def test_result_becomes_json(ran):
    made = to_dict(ran["measurement"].result)
    assert json.loads(json.dumps(made))["ends"]["count"] == ran["record"]["ends_count"]


@pytest.mark.slow
def test_pandas_takes_records(ran):
    pandas = pytest.importorskip("pandas")
    frame = pandas.DataFrame([ran["record"], ran["record"]])
    assert list(frame.columns) == list(SETT_COLUMNS)
    assert frame["ends_per_inch"].dtype == float
