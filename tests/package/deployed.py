"""What docker/ says, read for the tests: the Dockerfile, compose, nginx and the manifests."""

from __future__ import annotations

import re
import shlex
from functools import cache
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

ROOT = Path(__file__).parents[2]
DOCKER = ROOT / "docker"
MANIFESTS = DOCKER / "kubernetes"
_UNITS = {"": 1, "k": 2**10, "m": 2**20, "g": 2**30, "Ki": 2**10, "Mi": 2**20, "Gi": 2**30}


def read(path: Path) -> Any:
    """A YAML file as plain data."""
    return YAML(typ="safe", pure=True).load(path.read_text(encoding="utf-8"))


@cache
def dockerfile() -> list[tuple[str, str]]:
    """The instructions of the Dockerfile, each with its arguments on one line."""
    text = (DOCKER / "Dockerfile").read_text(encoding="utf-8")
    lines = "\n".join(line for line in text.splitlines() if not line.startswith("#"))
    joined = re.sub(r"\\\n\s*", "", lines)
    return [(words[0], words[1]) for line in joined.splitlines() if (words := line.split(None, 1))]


def instructions(name: str) -> list[str]:
    """The arguments of all instructions of a kind."""
    return [arguments for kind, arguments in dockerfile() if kind == name]


def image_option(name: str) -> str:
    """A default (ARG) of the Dockerfile."""
    return dict(one.split("=", 1) for one in instructions("ARG"))[name]


def replicas() -> dict[str, Any]:
    """The services of compose.yaml that are the service itself, by name."""
    services = read(DOCKER / "compose.yaml")["services"]
    return {name: one for name, one in services.items() if name != "nginx"}


def replica() -> dict[str, Any]:
    """One of them; a test sees to it that they are alike."""
    one: dict[str, Any] = next(iter(replicas().values()))
    return one


def manifest(name: str) -> dict[str, Any]:
    """A Kubernetes manifest by the name of its file."""
    found: dict[str, Any] = read(MANIFESTS / f"{name}.yaml")
    return found


def pod() -> dict[str, Any]:
    """The pod of the Deployment."""
    found: dict[str, Any] = manifest("deployment")["spec"]["template"]["spec"]
    return found


def container() -> dict[str, Any]:
    """Its one container."""
    (found,) = pod()["containers"]
    assert isinstance(found, dict)
    return found


def environments() -> dict[str, dict[str, str]]:
    """What each way of deploying sets in the environment of the service."""
    mounted = read(MANIFESTS / "rules" / "mounted.yaml")["spec"]["template"]["spec"]["containers"]
    image = [shlex.split(one) for one in instructions("ENV")]
    return {
        "image": dict(pair.split("=", 1) for one in image for pair in one),
        "compose": replica()["environment"],
        "compose, rules": read(DOCKER / "compose.rules.yaml")["x-rules"]["environment"],
        "kubernetes": {one["name"]: one["value"] for one in container()["env"]},
        "kubernetes, rules": {one["name"]: one["value"] for one in mounted[0]["env"]},
    }


@cache
def nginx() -> str:
    """The configuration of nginx without its comments."""
    text = (DOCKER / "nginx.conf").read_text(encoding="utf-8")
    return re.sub(r"(?m)^\s*#.*$|\s# .*$", "", text)


def block(opening: str) -> str:
    """What stands in a block of it, which may hold no others."""
    found = re.search(re.escape(opening) + r"\s*\{([^{}]*)\}", nginx())
    assert found, f"nginx.conf has no block {opening!r}"
    return found[1]


def directive(name: str, text: str) -> str:
    """The arguments of the one directive of that name."""
    (found,) = re.findall(rf"(?m)^\s*{name}\s+([^;]*);", text)
    return str(found)


def number_of_bytes(text: str) -> int:
    """Of `256m`, `17m` or `256Mi`, the bytes."""
    found = re.fullmatch("([0-9]+)([a-zA-Z]*)", text)
    assert found, text
    return int(found[1]) * _UNITS[found[2]]


def seconds(text: str) -> int:
    """Of `15s`, the seconds."""
    found = re.fullmatch("([0-9]+)s", text)
    assert found, text
    return int(found[1])
