"""Linters over docker/, each of which must also find a fault that is put into a copy for it."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

DOCKER = Path(__file__).resolve().parent


@dataclass(frozen=True)
class Linter:
    """A command that ends with 0 on docker/ as it is, and with something else on each fault.

    faults: (file, what stands there, what is put in its place).
    optional: how to get the command, if it is not one of lint-requirements.txt.
    """

    name: str
    command: tuple[str, ...]
    faults: tuple[tuple[str, str, str], ...]
    optional: str = ""
    prepare: tuple[tuple[str, str, str], ...] = field(default=())

    def __post_init__(self) -> None:
        assert self.faults, f"{self.name} must show that it can fail"


def manifests() -> tuple[str, ...]:
    """The manifests that are whole: no patches and nothing that is for kustomize alone."""
    found = (path for path in (DOCKER / "kubernetes").glob("*.yaml"))
    return tuple(str(p.relative_to(DOCKER)) for p in sorted(found) if p.stem != "kustomization")


DEPLOYMENT, HPA = "kubernetes/deployment.yaml", "kubernetes/autoscaler.yaml"
LINTERS = (
    Linter(
        "hadolint",
        ("hadolint", "--failure-threshold", "style", "Dockerfile"),
        (
            ("Dockerfile", "--no-install-recommends ", ""),
            ("Dockerfile", "WORKDIR /src", "WORKDIR src"),
        ),
    ),
    Linter(
        "compose-spec schema",
        ("check-jsonschema", "--builtin-schema", "vendor.compose-spec", "compose.yaml"),
        (
            ("compose.yaml", "read_only: true", "readonly: true"),
            ("compose.yaml", "cap_drop: [ALL]", "cap_drop: ALL"),
        ),
    ),
    Linter(
        "compose-spec schema, with rules",
        ("check-jsonschema", "--builtin-schema", "vendor.compose-spec", "compose.rules.yaml"),
        (("compose.rules.yaml", "volumes:", "volume:"),),
    ),
    Linter(
        "Kubernetes schemas",
        ("kubernetes-validate", "--strict", "--quiet", *manifests()),
        (
            (DEPLOYMENT, "readOnlyRootFilesystem", "readOnlyRootFileSystem"),
            (DEPLOYMENT, "periodSeconds: 2", "periodSeconds: two"),
            (DEPLOYMENT, "  selector:\n    matchLabels: *labels\n", ""),
            (HPA, "  maxReplicas: 6\n", ""),
        ),
    ),
    Linter(
        "yamllint",
        ("yamllint", "--strict", "--config-file", "yamllint.yaml", "."),
        (
            ("compose.yaml", "name: ohmpath", "name: ohmpath\nname: ohmpath"),
            (HPA, "minReplicas: 2", "minReplicas:  2"),
        ),
    ),
    Linter(
        "gixy",
        # The replicas' addresses are asked for when nginx starts (compose.yaml says what that
        # means), and a batch is streamed on purpose.
        ("gixy", "--skips", "stale_dns_cache,proxy_buffering_off", "nginx.conf"),
        (("nginx.conf", "proxy_set_header Host $host", "proxy_set_header Host $http_host"),),
    ),
    Linter(
        "nginx",
        ("nginx", "-t", "-q", "-p", ".", "-c", "nginx.conf"),
        (("nginx.conf", "client_max_body_size 17m", "client_max_body_size 17mb"),),
        optional="Debian's package nginx-light",
        prepare=(  # names that only compose knows
            ("nginx.conf", "ohmpath-1:8080", "127.0.0.1:8081"),
            ("nginx.conf", "ohmpath-2:8080", "127.0.0.1:8082"),
        ),
    ),
    Linter(
        "kustomize",
        ("kubectl", "kustomize", "kubernetes"),
        (("kubernetes/kustomization.yaml", "- service.yaml", "- services.yaml"),),
        optional="kubectl",
    ),
    Linter(
        "kustomize, with rules",
        ("kubectl", "kustomize", "kubernetes"),
        (("kubernetes/rules/mounted.yaml", "name: ohmpath\n", "name: another\n"),),
        optional="kubectl",
        prepare=(("kubernetes/kustomization.yaml", "# components:", "components:"),),
    ),
    Linter(
        "shellcheck",
        # What one script leaves to another (SC2154, SC1091) it cannot see here.
        ("shellcheck", "-e", "SC1091,SC2154", *(p.name for p in sorted(DOCKER.glob("*.sh")))),
        (("pin.sh", '"$', "$"),),
        optional="Debian's package shellcheck",
    ),
)


def replaced(folder: Path, changes: tuple[tuple[str, str, str], ...]) -> None:
    """Change the first place of each; one that is not there is a mistake in this file."""
    for name, old, new in changes:
        text = (folder / name).read_text(encoding="utf-8")
        assert old in text, f"{name} has no {old!r} to put a fault in its place"
        (folder / name).write_text(text.replace(old, new, 1), encoding="utf-8")


def run(linter: Linter, *faults: tuple[str, str, str]) -> subprocess.CompletedProcess[str]:
    """Run it on a copy of docker/ with these faults."""
    with tempfile.TemporaryDirectory() as temporary:
        copy = Path(temporary) / "docker"
        shutil.copytree(DOCKER, copy)
        replaced(copy, linter.prepare + faults)
        return subprocess.run(linter.command, cwd=copy, capture_output=True, text=True, check=False)


def main() -> int:
    """Run all; 0 if docker/ is clean and every fault was found."""
    failed = 0
    for linter in LINTERS:
        if linter.optional and shutil.which(linter.command[0]) is None:
            print(f"NOT RUN  {linter.name}: needs {linter.optional}")
            continue
        clean = run(linter)
        if clean.returncode:
            print(f"FAILED   {linter.name}\n{clean.stdout}{clean.stderr}")
            failed += 1
            continue
        missed = [fault for fault in linter.faults if run(linter, fault).returncode == 0]
        for name, old, new in missed:
            print(f"BLIND    {linter.name}: {name} with {new!r} for {old!r} passes")
        failed += len(missed)
        if not missed:
            print(f"ok       {linter.name} ({len(linter.faults)} put-in faults found)")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
