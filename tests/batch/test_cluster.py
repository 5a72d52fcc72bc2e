"""Pieces worked on by the two workers of a Dask cluster on this machine, some of which die."""

from __future__ import annotations

import os
import signal
import socket
import time
from collections.abc import Callable, Iterator
from typing import Any

import dask
import pytest
from distributed import LocalCluster

from service.batch import cluster as module
from service.batch.cluster import Cluster
from service.batch.kept import CannotGoOn
from service.batch.ordered import ordered

LOCAL = {"host": "127.0.0.1", "dashboard_address": "127.0.0.1:0", "threads_per_worker": 1}


@pytest.fixture(scope="module")
def local() -> Iterator[LocalCluster]:
    fewer = dask.config.set({"distributed.scheduler.allowed-failures": 1})
    with fewer, LocalCluster(n_workers=2, **LOCAL) as made:
        yield made


def _work(piece: Any) -> Any:
    """Ten times each number of a piece; 13 is deadly."""
    time.sleep(0.02)
    if 13 in piece:
        os.kill(os.getpid(), signal.SIGKILL)
    return [10 * number for number in piece]


def _failed(piece: Any, alone: Callable[[Any], Any]) -> Any:
    if len(piece) == 1:
        return [-piece[0]]
    return [found for number in piece for found in alone([number])]


def test_what_a_killed_worker_had_is_neither_lost_nor_done_twice(local: LocalCluster) -> None:
    pieces = [[number] for number in range(100, 200)]
    killed = None
    with Cluster(_work, _failed, local.scheduler_address) as cluster:
        assert cluster.threads() == 2
        found = []
        for piece, done in ordered(pieces, cluster.submit, ahead=12):
            found.append((piece, done))
            if len(found) == 20:
                killed = local.workers[0].pid
                os.kill(killed, signal.SIGKILL)
    assert killed is not None
    assert found == [([number], [10 * number]) for number in range(100, 200)]


def test_what_kills_each_worker_takes_nothing_else_with_it(local: LocalCluster) -> None:
    pieces = [[10 * row + column for column in range(4)] for row in range(5)]
    with Cluster(_work, _failed, local.scheduler_address) as cluster:
        found = list(ordered(pieces, cluster.submit, ahead=5))
    assert found == [(p, [-n if n == 13 else 10 * n for n in p]) for p in pieces]


def _raise(_piece: Any) -> None:
    raise RuntimeError("no such luck")


def test_what_fails_on_every_worker_ends_the_run_with_its_reason(local: LocalCluster) -> None:
    with Cluster(_raise, _failed, local.scheduler_address) as cluster:
        pending = cluster.submit([1])
        with pytest.raises(CannotGoOn, match="cluster has failed: RuntimeError: no such luck"):
            pending.result()


def test_a_cluster_that_stays_without_workers_is_not_waited_for_for_ever(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(module, "PATIENCE", 0.2)
    with (
        LocalCluster(n_workers=0, **LOCAL) as empty,
        Cluster(_work, _failed, empty.scheduler_address) as cluster,
    ):
        assert cluster.threads() == 0
        pending = cluster.submit([1])
        with pytest.raises(CannotGoOn, match="no worker"):
            pending.result()


def test_a_scheduler_that_goes_ends_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "CONNECTING", 1.0)
    gone = LocalCluster(n_workers=0, **LOCAL)
    with Cluster(_work, _failed, gone.scheduler_address) as cluster:
        pending = cluster.submit([1])
        gone.close()
        with pytest.raises(CannotGoOn, match=r"has failed: [\s\S]*lost the connection"):
            pending.result()
        with pytest.raises(CannotGoOn, match="cluster has failed"):
            cluster.submit([2]).result()


@pytest.mark.parametrize(
    ("listening", "words"), [(False, "Timed out trying to connect"), (True, "no answer within 1 s")]
)
def test_where_there_is_no_scheduler_that_is_said(
    monkeypatch: pytest.MonkeyPatch, listening: bool, words: str
) -> None:
    monkeypatch.setattr(module, "CONNECTING", 0.5)
    with socket.socket() as mute:
        mute.bind(("127.0.0.1", 0))
        if listening:
            mute.listen()
        address = f"127.0.0.1:{mute.getsockname()[1]}"
        with pytest.raises(CannotGoOn, match=f"{address}.*{words}"):
            Cluster(_work, _failed, address)


def test_an_address_that_is_none_is_said() -> None:
    with pytest.raises(CannotGoOn, match="missing port number"):
        Cluster(_work, _failed, "")
