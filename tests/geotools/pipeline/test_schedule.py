"""A plan is checked whole before any layer is read, and its steps are put in order."""

from __future__ import annotations

from pathlib import Path

import pytest

from geotools.errors import DesignError, PipelineError, StepError
from geotools.pipeline.plan import change_plan, find_plan, read_plan
from geotools.pipeline.schedule import Schedule, check_plan

HEAD = '[inputs]\nparcels = "lots.gpkg"\nopen_desert = "desert.gpkg"\n'
SCORE = '[[step]]\nuse = "score_exposure"\ngives = "scored_lots"\n'


def check(tmp_path: Path, text: str) -> Schedule:
    path = tmp_path / "plan.toml"
    path.write_text(text)
    return check_plan(read_plan(path))


def test_steps_run_after_what_they_take_whatever_the_order_in_the_file(tmp_path: Path) -> None:
    rows = [
        '[[step]]\nuse = "draw_lot_lines"\ngives = "lot_lines"\n',
        '[[step]]\nuse = "find_lot_ground"\ngives = "ground"\n',
    ]
    for text in (rows[0] + rows[1], rows[1] + rows[0]):
        assert [one.row.gives for one in check(tmp_path, HEAD + text).steps] == ["ground", "lot_lines"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no steps"),
        ('[[step]]\nuse = "score_exposur"\n', "did you mean 'score_exposure'"),
        (SCORE + "decay = 3\n", "did you mean 'decay_m'"),
        (SCORE + 'decay_m = "far"\n', "decay_m = 'far' can't be used"),
        (SCORE + 'takes = { parcel = "parcels" }\n', "did you mean 'parcels'"),
        (SCORE + 'takes = { open_desert = "desrt" }\n', "no step and no input gives 'desrt'"),
        (SCORE + SCORE, "is given by"),
        ('[[step]]\nuse = "map_habitat"\ngives = "open_desert"\n', "name of an input"),
        (
            '[[step]]\nuse = "write_specs_table"\ntakes = { specs = "parcels" }\ngives = "../specs.csv"\n',
            "no plain file name",
        ),
        (
            '[[step]]\nuse = "write_specs_table"\ntakes = { specs = "footholds" }\ngives = "specs.csv"\n',
            "needs the layer 'footholds'",
        ),
        (SCORE + "[wals]\nkind = 'x'\n", "did you mean \\[walls\\]"),
        (SCORE + "[design]\nbody_lenght = '4 ft'\n", "did you mean 'body_length'"),
    ],
)
def test_mistakes_are_refused_with_a_suggestion(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises((PipelineError, StepError, DesignError), match=said):
        check(tmp_path, HEAD + text)


def test_misspelt_layer_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PipelineError, match="did you mean 'washes'"):
        check(tmp_path, HEAD + 'wahses = "w.gpkg"\n' + SCORE)


def test_parcels_are_always_needed(tmp_path: Path) -> None:
    with pytest.raises(PipelineError, match="--input parcels=FILE"):
        check(tmp_path, '[inputs]\nopen_desert = "d.gpkg"\n[[step]]\nuse = "map_habitat"\ngives = "habitat"\n')


def test_circle_is_refused(tmp_path: Path) -> None:
    text = (
        '[[step]]\nuse = "recommend_lines"\ntakes = { candidate_lines = "b", conflicts = "rejected" }\ngives = "a"\n'
        '[[step]]\nuse = "count_materials"\ntakes = { barrier_lines = "a" }\ngives = "b"\n'
    )
    with pytest.raises(PipelineError, match="wait for each other"):
        check(tmp_path, HEAD + text)


def test_steps_without_their_optional_layer_are_left_out_and_said() -> None:
    plan = change_plan(read_plan(find_plan("screen")), inputs=["parcels=p.gpkg", "open_desert=d.gpkg"])
    schedule = check_plan(plan)
    used = {one.row.use for one in schedule.steps}
    assert {"specify_lots", "draw_map", "write_lots"} <= used
    assert not {"widen_washes", "judge_walls", "measure_setbacks"} & used
    assert "step widen_washes is left out: no layer washes" in schedule.left_out
