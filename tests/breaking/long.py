"""The same attacks for longer: python -m tests.breaking.long [--only NAME] [--times N] ...

Prints a line for each; what is asserted is what the tests assert, and that resident memory grows by
5 % at most.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from tests.api.exploring import explore, key_of_an_explorer
from tests.breaking import attacks
from tests.breaking.running import service
from tests.breaking.soak import soak

MOST_GROWTH = 0.05


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=10, help="how often each is done")
    parser.add_argument("--seconds", type=float, default=10, help="load before each blow")
    parser.add_argument("--clients", type=int, default=32)
    parser.add_argument("--crowd", type=int, default=300, help="at the door as SIGTERM comes")
    parser.add_argument("--slow", type=int, default=200, help="slow clients")
    parser.add_argument("--requests", type=int, default=200_000, help="of the soak")
    parser.add_argument("--pool", type=int, default=4_000, help="different ones of these")
    parser.add_argument("--warm-up", type=int, default=40_000)
    parser.add_argument("--strangers", type=int, default=5, help="slow ones of each shape, in it")
    parser.add_argument("--examples", type=int, default=500, help="of each operation, made up")
    parser.add_argument("--only", choices=list(ATTACKS))
    chosen = parser.parse_args()
    for name, attack in ATTACKS.items():
        if chosen.only in (None, name):
            begun = time.monotonic()
            attack(chosen)
            print(f"{name}: done in {time.monotonic() - begun:.0f} s", flush=True)


def stop(chosen: argparse.Namespace) -> None:
    for _ in range(chosen.times):
        record = attacks.end_under_load(chosen.seconds, chosen.clients, chosen.crowd)
        print(f"  SIGTERM under load: {record}", flush=True)


def kill(chosen: argparse.Namespace) -> None:
    took = [attacks.kill_a_worker() for _ in range(chosen.times)]
    median, most = statistics.median(took), max(took)
    print(f"  another worker answers after {median:.2f} s (median), {most:.2f} s (most)")


def slow(chosen: argparse.Namespace) -> None:
    for body in (False, True):
        where = "body" if body else "head"
        print(f"  slow in the {where}: {attacks.drip(chosen.slow, seconds=10, body=body)}")


def proxy(chosen: argparse.Namespace) -> None:
    if not shutil.which("nginx"):
        print("  nginx is not installed")
        return
    for _ in range(chosen.times):
        record = attacks.kill_an_instance(chosen.seconds)
        print(f"  one of two instances killed behind nginx: {record}", flush=True)


def engine(chosen: argparse.Namespace) -> None:
    attacks.break_the_engine(rounds=chosen.times)


def explored(chosen: argparse.Namespace) -> None:
    with tempfile.TemporaryDirectory() as folder:
        token, keys = key_of_an_explorer(Path(folder))
        with service(OHMPATH_KEYS=str(keys)) as running:
            made = partial(explore, running.url, Path(folder), token=token)
            answers = made(examples=chosen.examples, seconds=3600)
    print(f"  requests made from the document: {dict(sorted(answers.items()))}", flush=True)


def soaked(chosen: argparse.Namespace) -> None:
    with service() as running:
        found = soak(
            running,
            chosen.requests,
            pool=chosen.pool,
            warm_up=chosen.warm_up,
            slow=chosen.strangers,
        )
    print(f"  {found}\n  MiB after each tenth, by worker: {found.memory}")
    assert not found.wrong, found.wrong[:5]
    if any(grown > MOST_GROWTH for grown in found.growth.values()):
        sys.exit(f"memory has grown by more than {MOST_GROWTH:.0%}")


ATTACKS: dict[str, Callable[[argparse.Namespace], None]] = {
    "stop": stop,
    "kill": kill,
    "engine": engine,
    "slow": slow,
    "proxy": proxy,
    "explore": explored,
    "soak": soaked,
}

if __name__ == "__main__":
    main()
