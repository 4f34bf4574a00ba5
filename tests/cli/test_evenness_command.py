"""What `pickglass evenness` refuses before it measures, and the whole way on a drawn scene."""

import json
from pathlib import Path

import pytest

from pickglass.cli.main import main

DEMO = Path(__file__).parents[2] / "sample_images"
SAMPLERS = DEMO / "sampler_plain.jpg", DEMO / "twill_two_two.jpg"
SCENES = Path(__file__).parents[3] / "shared" / "scenes"


def run(capsys, *words):
    with pytest.raises(SystemExit) as leaving:
        main(["evenness", *map(str, words)])
    return leaving.value.code, capsys.readouterr()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["a.jpg", "b.jpg", "--start-at", "0"], "One place was given with --start-at for 2 photos"),
        (["a.jpg", "--start-at", "here"], "“here” cannot be used"),
        (["a.jpg", "--start-at", "nan"], "cannot be used"),
        (["a.jpg", "--start-at", "50"], "only one photo was named"),
        (["a.jpg", "b.jpg", "--start-at", "0,1", "--compare"], "sets different bands beside each other"),
        (["a.jpg", "--picture", "chart.bmp"], ".png or .svg"),
        (["a.jpg", "b.jpg", "--points", "1,1,900,1=90"], "goes with one photo"),
        (["a.jpg", "--points", "1,1,900,1=90", "--scan"], "contradict each other"),
        (["a.jpg", "--no-scale"], "Without a scale"),
        (["a.jpg", "--csv", "picks.xls"], "does not end in .csv"),
        (["a.jpg", "--window", "0"], "the length each station sums up"),
        (["a.jpg", "--scan", "--px-per-mm", "5"], "contradict each other"),
    ],
)
def test_wrong_use_is_explained_and_leaves_with_two(capsys, words, told):
    code, said = run(capsys, *words)
    assert code == 2
    assert told in said.err
    assert "What to do:" in said.err


def test_a_missing_photo_is_a_sentence_and_one_document(capsys, tmp_path):
    code, said = run(capsys, tmp_path / "none.jpg", "--json")
    assert code == 2
    assert json.loads(said.out)["verdict"] == "refused"


def test_nothing_is_overwritten_by_surprise(capsys, tmp_path):
    (tmp_path / "picks-stations.csv").write_text("mine")
    code, said = run(capsys, "a.jpg", "--csv", tmp_path / "picks.csv")
    assert code == 2
    assert "already there" in said.err
    assert (tmp_path / "picks-stations.csv").read_text() == "mine"


def test_photos_of_different_bands_are_not_joined(capsys):
    code, said = run(capsys, *SAMPLERS, "--start-at", "0", "--start-at", "100")
    assert code == 4
    assert "two different bands: 50 ends were counted in one and 72 in the other" in said.err
    assert "What to do: Give photos of one band" in said.err


def test_a_photo_that_cannot_be_measured_does_not_stop_the_comparison(capsys, tmp_path):
    (tmp_path / "notes.jpg").write_text("no photo")
    code, said = run(capsys, *SAMPLERS, tmp_path / "notes.jpg")
    assert code == 2
    assert "notes.jpg is a text file" in said.err
    assert "twill_two_two.jpg against sampler_plain.jpg" in said.out
    assert said.out.count("Safety:") == 1
    code, said = run(capsys, *SAMPLERS, tmp_path / "notes.jpg", "--json")
    (failed,) = json.loads(said.out)["failed"]
    assert failed["photo"] == "notes.jpg"


@pytest.mark.slow
def test_a_scene_with_faults_from_end_to_end(capsys, tmp_path):
    photo = SCENES / "s14_faults.jpg"
    if not photo.exists():
        pytest.skip("the scenes are not here")
    code, said = run(capsys, photo, "--json", "--csv", tmp_path / "p.csv", "--crops", tmp_path / "crops")
    assert code in (0, 3)
    document = json.loads(said.out)
    # Truth of the scene, counted from its other end: a loose end around 97.2 mm of 129.6, picks 39 and 40 in one shed,
    # one pick left out after pick 20.
    assert [f["kind"] for f in document["faults"]] == ["uneven-end", "doubled-pick", "missed-pick"]
    assert [f["at_mm"] for f in document["faults"]] == pytest.approx([32.4, 48.0, 87.6], abs=3)
    assert document["steps"] == []
    assert len(list((tmp_path / "crops").iterdir())) == 3
    assert (tmp_path / "p-stations.csv").exists()
