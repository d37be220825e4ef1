"""The command `effort`, as a person or a script runs it: output, exit codes, what is left behind."""

import json
import os
import pty
import re
import signal
import subprocess
import sys
from itertools import islice
from pathlib import Path

import httpx
import pytest

from service.cli.demo import CALLS
from tests.ports import free_port

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "openapi" / "examples" / "createPrescription.bench-without-spotter.request.json"


def effort(*arguments: str, stdin: str | None = None, **environ: str) -> subprocess.CompletedProcess[str]:
    """Run `effort` in a pipe."""
    return subprocess.run(
        [sys.executable, "-m", "service", *arguments],
        cwd=ROOT,
        env={**os.environ, **environ},
        input=stdin,
        capture_output=True,
        text=True,
        check=False,
    )


def test_prescribe_writes_json_into_a_pipe() -> None:
    """The full prescription, the same as over HTTP."""
    done = effort("prescribe", str(EXAMPLE))
    expected = EXAMPLE.with_name(EXAMPLE.name.replace("request", "response"))
    assert done.returncode == 0
    assert json.loads(done.stdout) == json.loads(expected.read_text("utf-8"))


def test_prescribe_reads_standard_input() -> None:
    """`-` as everywhere."""
    done = effort("prescribe", "-", "--json", stdin='{"rep_target": 8}')
    assert json.loads(done.stdout)["reps_in_reserve"]["target"] == 2


def test_prescribe_shows_a_table_of_reasons_on_a_terminal() -> None:
    """Target, range, RPE, each reason with its effect, cues and cautions."""
    leader, follower = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "service", "prescribe", str(EXAMPLE)],
        cwd=ROOT,
        stdout=follower,
        env={**os.environ, "COLUMNS": "120", "TERM": "dumb"},
    ) as process:
        os.close(follower)
        shown = b""
        while True:
            try:
                part = os.read(leader, 4096)
            except OSError:  # Linux says so when the other end is gone
                break
            if not part:
                break
            shown += part
    os.close(leader)
    assert process.returncode == 0
    text = re.sub(r"\x1b\[[0-9;]*m", "", shown.decode())
    assert "3.5 reps in reserve" in text
    for part in ("base", "+2.25", "goal", "+1", "rounding", "target", "common practice", "spotter"):
        assert part in text, text


def test_prescribe_names_every_fault_and_exits_with_2() -> None:
    """One line a fault on standard error, nothing on standard output."""
    done = effort("prescribe", "-", stdin='{"rep_target": "8", "goal": "size", "x": 1}')
    assert (done.returncode, done.stdout) == (2, "")
    assert sorted(line.split(":")[1].strip() for line in done.stderr.splitlines()) == [
        "#/goal",
        "#/rep_target",
        "#/x",
    ]
    assert effort("prescribe", "-", stdin="{").returncode == 2


def test_keys_are_made_listed_and_revoked(bare_database_url: str) -> None:
    """The printed lines are the contract; the secret is shown once; an unmigrated database says what to do."""
    where = {"EFFORT_DATABASE_URL": bare_database_url}
    refused = effort("key", "create", "--tenant", "harbour-street-gym", **where)
    assert (refused.returncode, "effort migrate" in refused.stderr) == (2, True)
    assert effort("migrate", **where).returncode == 0
    made = effort(
        "key",
        "create",
        "--tenant",
        "harbour-street-gym",
        "--scope",
        "history:read",
        "--label",
        "till 3",
        **where,
    )
    key_id = re.search(r"^key id: (\S+)$", made.stdout, re.MULTILINE)
    token = re.search(r"^API key: (\S+)$", made.stdout, re.MULTILINE)
    assert key_id is not None
    assert token is not None
    listed = effort("key", "list", "--tenant", "harbour-street-gym", **where).stdout
    assert key_id[1] in listed
    assert "till 3" in listed
    assert "history:read" in listed
    assert token[1] not in listed
    assert effort("key", "revoke", key_id[1], **where).returncode == 0
    assert "REVOKED" in effort("key", "list", "--tenant", "harbour-street-gym", **where).stdout
    assert effort("key", "revoke", key_id[1], **where).returncode == 2
    assert effort("key", "create", "--tenant", "bad name!", **where).returncode == 2


def test_policy_commands_show_check_and_list() -> None:
    """Every factor with its numbers; JSON for programs; released data is unchanged."""
    listed = effort("policy", "list").stdout
    assert re.search(r"^2026-11-25  sha256:[0-9a-f]{64}$", listed, re.MULTILINE)
    shown = effort("policy", "show").stdout
    for part in ("base:", "recovery:", "36: +0.5", "13-50 reps: 0 to 2, 3 when new", "pregnancy: 3"):
        assert part in shown
    assert json.loads(effort("policy", "show", "2026-11-25", "--json").stdout)["version"] == "2026-11-25"
    assert "released, unchanged" in effort("policy", "check").stdout
    assert effort("policy", "show", "1999-01-01").returncode == 2


def test_serve_lists_its_settings_and_names_bad_ones() -> None:
    """All bad settings at once."""
    told = effort("serve", "--help").stdout
    for name in (
        "EFFORT_DATABASE_URL",
        "EFFORT_HOST",
        "EFFORT_PORT",
        "EFFORT_WORKERS",
        "EFFORT_MAX_BODY_BYTES",
    ):
        assert name in told
    done = effort("serve", EFFORT_PORT="80x", EFFORT_WORKERS="0")
    assert done.returncode == 2
    assert "EFFORT_PORT" in done.stderr
    assert "EFFORT_WORKERS" in done.stderr


@pytest.mark.parametrize(
    "environ",
    [
        {"EFFORT_DATABASE_URL": "mysql://effort@db/effort"},
        {"EFFORT_REDIS_URL": "redis://127.0.0.1:port"},
        {"EFFORT_JWT_JWKS": "missing.json", "EFFORT_JWT_ISSUER": "issuer", "EFFORT_JWT_AUDIENCE": "effort"},
        {"EFFORT_HOST": "localhost"},
    ],
    ids=lambda environ: next(iter(environ)),
)
def test_serve_tells_in_one_line_what_it_cannot_start_with(environ: dict[str, str]) -> None:
    """Also what only opening it shows: workers that die of it one after the other would bury it in tracebacks."""
    done = effort("serve", **{"EFFORT_PORT": str(free_port())} | environ)
    assert done.returncode == 2
    assert done.stderr.startswith("effort: ")
    assert next(iter(environ)) in done.stderr
    assert (done.stdout, done.stderr.count("\n")) == ("", 1)


def tried_as_they_stand(base: str, key: str) -> dict[str, int]:
    """Send every operation of the document but deletions with its own examples; the worst status of each.

    Ids of what only the database knows are put in place, as /docs does with those it may show.
    """
    worst = {}
    with httpx.Client(base_url=base, headers={"Authorization": f"Bearer {key}"}) as client:
        document = client.get("/openapi.json").json()
        known = {"lifter_id": client.get("/page/access").json()["lifters"][0]["lifter_id"]}
        known["set_id"] = client.get(f"/v1/lifters/{known['lifter_id']}/sets").json()["sets"][0]["set_id"]
        assert client.put("/v1/sites/north-pier").is_success  # whose coach's key is an example
        known["key_id"] = client.post("/v1/keys", json={"scopes": ["prescribe"]}).json()["key_id"]
        known["entry_id"] = client.get("/v1/audit").json()["entries"][0]["entry_id"]
        for path, item in document["paths"].items():
            for method, operation in item.items():
                if method == "delete":
                    continue
                told = {
                    each["name"]: each["example"]
                    for each in operation.get("parameters", ())
                    if each["in"] == "path"
                }
                content = operation.get("requestBody", {}).get("content", {}).get("application/json", {})
                bodies = [each["value"] for each in content.get("examples", {"": {"value": None}}).values()]
                answers = [
                    client.request(method, path.format_map(told | known), json=body) for body in bodies
                ]
                worst[operation["operationId"]] = max(answer.status_code for answer in answers)
    return worst


@pytest.mark.parametrize("by_option", [True, False])
def test_demo_serves_its_own_calls_and_leaves_nothing(tmp_path: Path, by_option: bool) -> None:
    """Key on its own line, calls to paste that work, gone after Ctrl-C."""
    port = str(free_port())
    environ = {**os.environ, "TMPDIR": str(tmp_path), **({} if by_option else {"EFFORT_PORT": port})}
    command = [sys.executable, "-u", "-m", "service", "demo", *(["--port", port] if by_option else [])]
    with subprocess.Popen(
        command, cwd=tmp_path, env=environ | {"PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        key = process.stdout.readline().strip().removeprefix("API key: ")
        assert key.startswith("effk_")
        printed = iter(process.stdout.readline, "")
        calls = list(islice((line for line in printed if line.startswith("curl ")), len(CALLS)))
        transport = httpx.HTTPTransport(retries=50)
        with httpx.Client(transport=transport, base_url=f"http://127.0.0.1:{port}") as client:
            while client.get("/health/ready").status_code != 200:
                pass
        answers = [
            subprocess.run(["sh", "-c", call], capture_output=True, text=True, check=True).stdout
            for call in calls
        ]
        tried = tried_as_they_stand(f"http://127.0.0.1:{port}", key)
        process.send_signal(signal.SIGINT)
        assert process.wait(30) == 0
    assert [next(iter(json.loads(answer))) for answer in answers] == [
        "decision",
        "decision",
        "load_kg",
        "decision",
        "sessions",
        "lifter_id",
        "lifter_id",
    ]
    assert {name: status for name, status in tried.items() if status >= 300} == {}
    assert list(tmp_path.iterdir()) == []
