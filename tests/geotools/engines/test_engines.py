"""Engines do every piece of work once, survive the death of a worker, and say so when they can't go on."""

from __future__ import annotations

from pathlib import Path

import pytest
from engine_work import always_die, die_once, refuse, square

from geotools.engines import cluster, local
from geotools.errors import EngineError, LayerError


def test_local_keeps_the_order() -> None:
    assert list(local.do_each(square, [3, 1, 2])) == [9, 1, 4]


def test_workers_do_each_piece_once() -> None:
    assert sorted(cluster.do_each(square, range(20), workers=2)) == [n * n for n in range(20)]


def test_a_dead_worker_loses_nothing(tmp_path: Path) -> None:
    tasks = [(str(tmp_path / "mark"), number) for number in range(8)]
    assert sorted(cluster.do_each(die_once, tasks, workers=2)) == list(range(8))
    assert (tmp_path / "mark").exists()


def test_work_that_ends_every_worker_is_given_up() -> None:
    with pytest.raises(EngineError, match="too little memory"):
        list(cluster.do_each(always_die, [1], workers=1))


def test_a_refusal_crosses_with_all_its_parts() -> None:
    with pytest.raises(LayerError) as caught:
        list(cluster.do_each(refuse, [7], workers=1))
    assert (caught.value.what, caught.value.where, caught.value.mend) == ("it is crooked", "row 7", "straighten it")


def test_a_scheduler_that_is_not_there_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "_CONNECT_S", 1)
    with pytest.raises(EngineError, match="can't be reached"):
        list(cluster.do_each(square, [1], scheduler="tcp://127.0.0.1:9"))


def test_a_running_scheduler_is_used() -> None:
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=1,
        threads_per_worker=1,
        host="127.0.0.1",
        dashboard_address="127.0.0.1:0",
        memory_limit=0,
        silence_logs=50,
    ) as running:
        assert list(cluster.do_each(square, [5], scheduler=running.scheduler_address)) == [25]
