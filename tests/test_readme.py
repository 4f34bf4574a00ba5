"""What the README shows is what the commands say."""

import re

import pytest
from readme_output import KEPT, README, blocks, run, same
from test_library_example import example

BLOCKS = blocks(README.read_text(encoding="utf-8"))


@pytest.mark.parametrize(("command", "shown"), BLOCKS, ids=[command for command, _ in BLOCKS])
def test_shown_output_is_true(command, shown):
    fresh = run(command)
    assert same(shown, fresh), fresh


def test_every_linked_file_is_there():
    for target in re.findall(r"\]\(([^)#:]+)\)", README.read_text(encoding="utf-8")):
        assert (README.parent / target).is_file(), target


def test_comparison_can_fail():
    assert same("a 12.51 b", "a 12.52  b")
    assert same("a -0.01 % b", "a +0.01 % b")
    assert not same("a 12.5 b", "a 12.9 b")
    assert not same("a -0.87 % b", "a +0.87 % b")
    assert not same("a 48 b", "a 49 b")
    assert not same("a 48 b", "c 48 b")


def test_kept_pictures_are_no_burden():
    sizes = [path.stat().st_size for path in KEPT.values()]
    assert max(sizes) < 1_000_000
    assert sum(sizes) < 3_000_000


def test_first_screen_says_the_job_and_how_to_set_up():
    first = README.read_text(encoding="utf-8").splitlines()[:24]
    assert first[2].startswith("pickglass measures woven samples from photos")
    assert sum("pip install" in line for line in first) == 2


def test_python_example_is_the_one_that_is_tested():
    shown = re.search(r"```python\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    assert shown is not None
    assert shown[1].strip() == example().strip()
