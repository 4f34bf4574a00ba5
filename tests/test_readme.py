"""What the README shows is what the commands say."""

import re

import pytest
from readme_output import KEPT, README, blocks, run, same

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
    for path in KEPT.values():
        assert path.stat().st_size < 2_000_000
