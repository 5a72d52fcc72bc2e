"""What docker/ leaves a service that somebody has broken into: as little as it needs."""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests.package.deployed import (
    DOCKER,
    MANIFESTS,
    ROOT,
    container,
    dockerfile,
    instructions,
    manifest,
    pod,
    read,
    replica,
)

# Of each kind the one version that is served now; the schemas let unknown ones pass.
VERSIONS = {
    "Component": "kustomize.config.k8s.io/v1alpha1",
    "Deployment": "apps/v1",
    "HorizontalPodAutoscaler": "autoscaling/v2",
    "Kustomization": "kustomize.config.k8s.io/v1beta1",
    "Namespace": "v1",
    "NetworkPolicy": "networking.k8s.io/v1",
    "PodDisruptionBudget": "policy/v1",
    "Secret": "v1",
    "Service": "v1",
}


@pytest.mark.parametrize("path", sorted(MANIFESTS.rglob("*.yaml")), ids=lambda path: path.name)
def test_kinds_are_those_that_are_served(path: Any) -> None:
    found = read(path)
    assert VERSIONS[found["kind"]] == found["apiVersion"]


def test_the_pod_keeps_the_restricted_standard() -> None:
    enforced = manifest("namespace")["metadata"]["labels"]
    assert enforced["pod-security.kubernetes.io/enforce"] == "restricted"
    assert pod()["securityContext"]["runAsNonRoot"] is True
    assert pod()["securityContext"]["seccompProfile"] == {"type": "RuntimeDefault"}
    assert pod()["automountServiceAccountToken"] is False
    assert container()["securityContext"] == {
        "allowPrivilegeEscalation": False,
        "readOnlyRootFilesystem": True,
        "capabilities": {"drop": ["ALL"]},
    }
    assert not any("hostPath" in volume for volume in pod()["volumes"])


def test_every_service_of_compose_is_kept_in() -> None:
    compose = read(DOCKER / "compose.yaml")
    for name, one in compose["services"].items():
        assert one["read_only"] is True, name
        assert one["cap_drop"] == ["ALL"], name
        assert one["security_opt"] == ["no-new-privileges:true"], name
        assert {"mem_limit", "cpus", "pids_limit"} <= set(one), name
        assert all("noexec" in tmpfs for tmpfs in one["tmpfs"]), name
    assert compose["networks"]["inner"] == {"internal": True}
    assert replica()["networks"] == ["inner"]
    assert "ports" not in replica()
    (published,) = compose["services"]["nginx"]["ports"]
    assert "127.0.0.1:" in published


def test_nothing_goes_out() -> None:
    policy = manifest("network-policy")["spec"]
    assert set(policy["policyTypes"]) == {"Ingress", "Egress"}
    assert policy["egress"] == []
    assert all(one["from"] for one in policy["ingress"])


def test_no_secret_is_in_the_repository() -> None:
    (text,) = manifest("secret.example")["stringData"].values()
    assert all(line.startswith("#") for line in text.splitlines())
    resources = manifest("kustomization")["resources"]
    assert "secret.example.yaml" not in resources
    others = {path.name for path in MANIFESTS.glob("*.yaml")}
    assert others - {*resources} == {"kustomization.yaml", "secret.example.yaml"}


def test_the_compiler_stays_behind() -> None:
    stages = [n for n, (kind, _) in enumerate(dockerfile()) if kind == "FROM"]
    last = dockerfile()[stages[-1] :]
    assert len(stages) == 2
    assert not any("pip install" in words for _, words in last)
    (installed,) = [words for _, words in last if "apt-get install" in words]
    packages = installed.partition("--no-install-recommends")[2].partition("&&")[0].split()
    assert set(packages) == {  # what draws PDFs, and nothing that builds anything
        "fonts-dejavu-core",
        "libharfbuzz-subset0",
        "libpango-1.0-0",
        "libpangoft2-1.0-0",
    }
    assert [words for kind, words in last if kind == "COPY"] == [
        "--from=build /opt/ohmpath /opt/ohmpath"
    ]


def test_all_that_is_installed_is_pinned_by_hash() -> None:
    runs = " && ".join(instructions("RUN"))
    commands = re.findall(r"pip (?:--python \S+ )?(?:install|wheel) [^&]*", runs)
    assert len(commands) == 4
    for command in commands:
        assert "--require-hashes" in command or "--no-index" in command, command
    assert "--no-build-isolation" in runs
    for name in (
        "requirements",
        "build-requirements",
        "installer-requirements",
        "lint-requirements",
    ):
        text = (DOCKER / f"{name}.txt").read_text(encoding="utf-8")
        pins = re.findall(r"(?m)^\S+==\S+.*\\$", text)
        assert pins
        assert len(pins) == len(re.findall(r"(?m)^[a-z0-9]", text))
        assert "://" not in text


def test_the_context_has_what_is_copied_and_no_more() -> None:
    lines = (ROOT / ".dockerignore").read_text(encoding="utf-8").splitlines()
    admitted = {line[1:] for line in lines if line.startswith("!")}
    copied = {
        word
        for words in instructions("COPY")
        if not words.startswith("--from")
        for word in words.split()[:-1]
    }
    assert lines[1] == "*"
    assert admitted == copied
    assert all((ROOT / name).exists() for name in admitted)
