"""Files are written whole or not at all."""

import os

import pytest

from pickglass.calibration.errors import UsageError
from pickglass.cli.files import check_target, write_whole


def test_writes_with_the_rights_of_an_ordinary_file(tmp_path):
    write_whole(tmp_path / "a.png", b"content", overwrite=False)
    (tmp_path / "plain").write_bytes(b"")
    assert (tmp_path / "a.png").read_bytes() == b"content"
    assert (tmp_path / "a.png").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_keeps_what_is_there_unless_told(tmp_path):
    target = tmp_path / "a.png"
    target.write_bytes(b"old")
    with pytest.raises(UsageError, match="--overwrite"):
        write_whole(target, b"new", overwrite=False)
    assert target.read_bytes() == b"old"
    write_whole(target, b"new", overwrite=True)
    assert target.read_bytes() == b"new"


def test_a_dangling_link_is_not_silently_replaced(tmp_path):
    (tmp_path / "a.png").symlink_to(tmp_path / "nowhere")
    with pytest.raises(UsageError):
        check_target(tmp_path / "a.png", overwrite=False)


@pytest.mark.parametrize("name", ["", "missing/a.png"])
def test_impossible_places_are_refused_before_measuring(tmp_path, name):
    with pytest.raises(UsageError) as refused:
        check_target(tmp_path / name, overwrite=True)
    assert refused.value.next_step


def test_a_failed_write_leaves_nothing(tmp_path, monkeypatch):
    def full_disk(*args):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full_disk)
    with pytest.raises(UsageError, match="No space left"):
        write_whole(tmp_path / "a.png", b"content", overwrite=False)
    assert list(tmp_path.iterdir()) == []
