"""What stands in several places of docker/, and in the service itself, is the same everywhere."""

from __future__ import annotations

import json
import re
import tomllib
from typing import Any

import pytest
from flask import Flask

from service import __version__, gunicorn_conf
from service.api import batch, trials
from service.api.body import MOST_ARRAY_BYTES
from service.app import create_app
from service.commands import main
from service.documents import MAX_BODY_BYTES
from service.settings import TRIAL_SECONDS, Settings
from service.trials import sandbox
from service.trials.submission import MOST_SUBMITTED_BYTES
from tests.package.deployed import (
    DOCKER,
    MANIFESTS,
    ROOT,
    block,
    container,
    directive,
    environments,
    image_option,
    instructions,
    manifest,
    nginx,
    number_of_bytes,
    pod,
    read,
    replica,
    replicas,
    seconds,
)

PORT = 8080
TRIALS = "location ~ ^/v1/(trials|rule-sets/check)$"
BATCHES = "location = /v1/assessments/batch"
# Measured by docker/prove.sh: master and two workers.
RESIDENT = 260 * 2**20
# Measured: the process of a PDF; a JSON document of the worst kind as values, by its size.
OF_A_PDF = 200 * 2**20
AS_VALUES = 33


def health_command() -> list[str]:
    (found,) = instructions("HEALTHCHECK")
    command: list[str] = json.loads(found[found.index("[") :])
    return command


def test_the_port() -> None:
    (default,) = (one.default for one in main.serve.params if one.name == "port")
    command = json.loads(instructions("CMD")[0])
    assert instructions("EXPOSE") == [str(PORT)]
    assert command == ["serve", "--host", "0.0.0.0", "--port", str(default)]
    assert f"'127.0.0.1', {PORT}" in health_command()[-1]
    servers = re.findall(r"server (\S+):(\d+) ", block("upstream replicas"))
    assert servers == [(name, str(PORT)) for name in replicas()]
    (port,) = container()["ports"]
    (published,) = manifest("service")["spec"]["ports"]
    (admitted,) = manifest("network-policy")["spec"]["ingress"][0]["ports"]
    assert (port["containerPort"], default) == (PORT, PORT)
    assert published["targetPort"] == admitted["port"] == port["name"]
    assert {one["httpGet"]["port"] for one in probes().values()} == {port["name"]}


def test_the_user_is_no_root_and_the_same() -> None:
    uid, gid = instructions("USER")[-1].split(":")
    assert int(uid) >= 10000
    assert f"--uid {uid} " in " ".join(instructions("RUN"))
    security = pod()["securityContext"]
    assert security["runAsUser"] == int(uid)
    assert security["runAsGroup"] == security["fsGroup"] == int(gid)
    assert "user" not in replica(), "the image says who"


@pytest.mark.parametrize("where", environments())
def test_settings_are_those_of_the_service(where: str) -> None:
    chosen = {k: v for k, v in environments()[where].items() if k.startswith("OHMPATH_")}
    sources = (ROOT / "service").rglob("*.py")
    known = {
        name
        for path in sources
        for name in re.findall(r"\bOHMPATH_[A-Z_]+\b", path.read_text(encoding="utf-8"))
    }
    assert set(chosen) <= known
    Settings.from_environment(chosen)


def test_compose_and_kubernetes_choose_the_same() -> None:
    found = environments()
    assert found["compose"] == found["kubernetes"]
    assert found["compose, rules"] == found["kubernetes, rules"]
    one = replica()
    limits = container()["resources"]["limits"]
    (tmpfs,) = one["tmpfs"]
    (tmp,) = (v["emptyDir"] for v in pod()["volumes"] if "emptyDir" in v)
    assert number_of_bytes(one["mem_limit"]) == number_of_bytes(limits["memory"])
    assert one["memswap_limit"] == one["mem_limit"]
    assert one["cpus"] == int(limits["cpu"]) == gunicorn_conf.workers
    assert number_of_bytes(tmpfs.split("size=")[1].split(",")[0]) == tmp_size()
    assert number_of_bytes(tmp["sizeLimit"]) == tmp_size()
    assert tmp["medium"] == "Memory"


def tmp_size() -> int:
    (tmp,) = (v["emptyDir"] for v in pod()["volumes"] if "emptyDir" in v)
    return number_of_bytes(tmp["sizeLimit"])


def test_memory_holds_what_may_come_together() -> None:
    chosen = Settings.from_environment(environments()["kubernetes"])
    candidates = trials.AT_A_TIME * chosen.trial_mebibytes * 2**20
    # Of an array as a whole there is the text, and of one case at a time the values.
    array = min(chosen.max_batch_bytes, MOST_ARRAY_BYTES) + AS_VALUES * chosen.max_body_bytes
    worker = candidates + OF_A_PDF + batch.ARRAYS * array
    together = RESIDENT + tmp_size() + gunicorn_conf.workers * worker
    assert together <= number_of_bytes(container()["resources"]["limits"]["memory"])
    assert (
        RESIDENT + tmp_size()
        <= number_of_bytes(container()["resources"]["requests"]["memory"]) * 1.1
    )
    assert tmp_size() >= 8 * chosen.max_batch_bytes


def test_nginx_lets_the_service_refuse() -> None:
    most_batch = Settings.from_environment(environments()["compose"]).max_batch_bytes
    (general,) = re.findall(r"(?m)^ {8}client_max_body_size (\S+);", nginx())
    for most, limit in (
        (MAX_BODY_BYTES, general),
        (MOST_SUBMITTED_BYTES, directive("client_max_body_size", block(TRIALS))),
        (most_batch, directive("client_max_body_size", block(BATCHES))),
    ):
        assert number_of_bytes(limit) == most + 2**20


def test_nginx_lets_an_address_do_more_than_a_key_and_less_than_all() -> None:
    chosen = Settings.from_environment(environments()["compose"])
    zones = dict(re.findall(r"limit_(?:conn|req)_zone (\S+) zone=(\w+):", nginx()))
    assert set(zones) == {"$binary_remote_addr"}, "or one caller would be limited with others"
    (rate,) = re.findall(r"limit_req_zone .* rate=(\d+)r/s;", nginx())
    (burst,) = re.findall(r"(?m)^ {8}limit_req zone=\w+ burst=(\d+) nodelay;", nginx())
    assert int(rate) > chosen.rate
    assert int(burst) > chosen.burst
    general = dict(re.findall(r"(?m)^ {8}limit_conn (\w+) (\d+);", nginx()))
    assert chosen.at_a_time < int(general["under_way"])
    assert 8 * int(general["under_way"]) <= int(directive("worker_connections", nginx()))
    for name in (TRIALS, BATCHES):  # what is said there stands in the place of what is said above
        of_these = dict(re.findall(r"limit_conn (\w+) (\d+);", block(name)))
        assert of_these["under_way"] == general["under_way"]
        assert chosen.at_a_time < int(of_these["long"]) < int(general["under_way"])
        assert "limit_req" not in block(name)


def test_nginx_waits_as_long_as_the_service_may_take() -> None:
    chosen = Settings()
    upstream = block("upstream replicas")
    assert seconds(directive("keepalive_timeout", upstream)) < gunicorn_conf.keepalive
    assert seconds(directive("client_body_timeout", nginx())) == chosen.read_seconds
    of_trials = seconds(directive("proxy_read_timeout", block(TRIALS)))
    assert of_trials >= TRIAL_SECONDS + sandbox._STARTING_SECONDS
    assert "non_idempotent" not in block(TRIALS)
    for name in ("proxy_buffering", "proxy_request_buffering"):
        assert directive(name, block(BATCHES)) == "off"


@pytest.fixture(scope="module")
def app() -> Flask:
    return create_app(Settings())


def test_what_nginx_treats_apart_is_there(app: Flask) -> None:
    rules = app.url_map.iter_rules()
    posts = {rule.rule for rule in rules if "POST" in (rule.methods or ())}
    assert {"/v1/trials", "/v1/rule-sets/check", "/v1/assessments/batch"} <= posts


def probes() -> dict[str, Any]:
    return {k: v for k, v in container().items() if k.endswith("Probe")}


def test_probes_ask_what_answers(app: Flask) -> None:
    client = app.test_client()
    found = probes()
    asked = {name: one["httpGet"]["path"] for name, one in found.items()}
    assert asked == {
        "startupProbe": "/readyz",
        "readinessProbe": "/readyz",
        "livenessProbe": "/healthz",
    }
    assert "'/readyz'" in health_command()[-1]
    for path in {*asked.values()}:
        assert client.get(path).status_code == 200
    assert found["startupProbe"]["failureThreshold"] * found["startupProbe"]["periodSeconds"] >= 60


def test_who_stops_is_given_the_time() -> None:
    graceful = gunicorn_conf.graceful_timeout
    assert instructions("STOPSIGNAL") == ["SIGTERM"]
    assert seconds(replica()["stop_grace_period"]) >= graceful + 3
    command = container()["lifecycle"]["preStop"]["exec"]["command"]
    assert command[0] == "sleep"
    assert pod()["terminationGracePeriodSeconds"] >= int(command[1]) + graceful + 3


def test_the_version() -> None:
    (image,) = manifest("kustomization")["images"]
    assert image_option("VERSION") == image["newTag"] == __version__
    assert image["name"] == container()["image"]
    assert replica()["image"] == f"{image['name']}:{__version__}"


def test_the_python_is_one_that_the_project_admits() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    least, most = re.findall(r"3\.(\d+)", project["requires-python"])
    found = re.match(
        r"python:3\.(\d+)-slim-[a-z]+(@sha256:[0-9a-f]{64})?$", image_option("PYTHON_IMAGE")
    )
    assert found
    assert int(least) <= int(found[1]) < int(most)


def test_keys_are_where_the_service_looks_for_them() -> None:
    where = environments()["compose"]["OHMPATH_KEYS"]
    (secret,) = replica()["secrets"]
    assert secret["target"] == where
    (mount,) = (one for one in container()["volumeMounts"] if one["name"] == "keys")
    (volume,) = (one["secret"] for one in pod()["volumes"] if one["name"] == "keys")
    example = manifest("secret.example")
    assert [f"{mount['mountPath']}/{key}" for key in example["stringData"]] == [where]
    assert volume["secretName"] == example["metadata"]["name"]


def test_rules_are_mounted_where_the_service_looks_for_them() -> None:
    where = environments()["compose, rules"]["OHMPATH_RULES"]
    mounted = read(MANIFESTS / "rules" / "mounted.yaml")["spec"]["template"]["spec"]
    (mount,) = mounted["containers"][0]["volumeMounts"]
    (volume,) = read(DOCKER / "compose.rules.yaml")["x-rules"]["volumes"]
    assert (mount["mountPath"], mount["readOnly"]) == (where, True)
    assert volume.endswith(f"}}:{where}:ro")


def test_labels_select_the_pods() -> None:
    deployment = manifest("deployment")
    labels = deployment["spec"]["template"]["metadata"]["labels"]
    assert deployment["spec"]["selector"]["matchLabels"] == labels
    assert manifest("service")["spec"]["selector"] == labels
    assert manifest("disruption-budget")["spec"]["selector"]["matchLabels"] == labels
    assert manifest("network-policy")["spec"]["podSelector"]["matchLabels"] == labels
    for spread in pod()["topologySpreadConstraints"]:
        assert spread["labelSelector"]["matchLabels"] == labels
    target = manifest("autoscaler")["spec"]["scaleTargetRef"]
    assert target == {
        "apiVersion": deployment["apiVersion"],
        "kind": deployment["kind"],
        "name": deployment["metadata"]["name"],
    }


def test_two_are_there_and_one_may_go() -> None:
    assert len(replicas()) == 2
    one, other = replicas().values()
    assert one == other
    assert manifest("autoscaler")["spec"]["minReplicas"] == 2
    assert "replicas" not in manifest("deployment")["spec"], "the autoscaler's choice"
    assert manifest("disruption-budget")["spec"]["maxUnavailable"] == 1
    assert manifest("deployment")["spec"]["strategy"]["rollingUpdate"]["maxUnavailable"] == 0
