"""Nobody who belongs here is locked out, nobody else gets in: second starts, links, unfinished requests."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import stat
import subprocess
import sys
import time
from pathlib import Path
from urllib.parse import urlsplit

import httpx2 as httpx
import pytest
from click.testing import CliRunner
from starlette.testclient import TestClient

from bench.benches import RUN, Served, alive, demo
from bench.test_security import HERE, let_in
from falsework.bench import reach, serving
from falsework.bench.app import create_app
from falsework.bench.connections import MOST_IDLE
from falsework.bench.security import Hosts
from falsework.bench.service import BenchSettings, Service
from falsework.bench.serving import Entrances
from falsework.cli.bench import bench_command

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="modes of files are POSIX")


def second(folder: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", RUN, "bench", "--folder", str(folder), "--no-open"]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def test_a_second_start_prints_a_fresh_invitation_to_the_first(served: Served) -> None:
    told = second(served.folder)
    assert told.returncode == 0 and "running already" in told.stdout, told.stderr
    entrance = told.stdout.split()[-1]
    assert entrance.startswith(served.entrance.partition("/enter")[0])
    with contextlib.closing(served.newcomer(entrance)) as let:
        assert let.get("/api/bench").status_code == 200
    assert httpx.get(entrance).status_code == 401  # once
    with contextlib.closing(served.newcomer(second(served.folder).stdout.split()[-1])) as another:
        assert another.get("/api/bench").status_code == 200


@POSIX
def test_what_people_bring_is_their_owners_alone(served: Served) -> None:
    demo(served.client, "table")
    for path in served.folder.rglob("*"):
        mode = stat.S_IMODE(path.stat().st_mode)
        assert mode & 0o077 == 0, (path, oct(mode))


@POSIX
def test_it_ends_within_two_seconds_of_being_told_with_streams_open(tmp_path: Path) -> None:
    bench = Served(tmp_path / "data", "--workers", "1")
    sheet = demo(bench.client, "gull")
    workers = bench.workers()
    with bench.client.stream("GET", f"/api/sheets/{sheet['id']}/events"):
        began = time.process_time(), time.monotonic()
        bench.process.send_signal(signal.SIGTERM)
        bench.process.wait(30)
        waited = time.monotonic() - began[1]
    bench._gone()
    assert not any(alive(worker) for worker in workers)
    assert waited < serving._GRACE_S + 10  # one second of grace; a loaded machine takes its time


def test_a_link_from_elsewhere_opens_for_who_is_let_in_and_does_nothing_else(tmp_path: Path) -> None:
    app = create_app(BenchSettings(tmp_path, ledger=tmp_path / "ledger.sqlite3"))
    service: Service = app.state.service
    client = let_in(service, app)
    elsewhere = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate", "sec-fetch-dest": "document"}
    page = client.get("/sheets/0123456789abcdef", headers=elsewhere)
    assert page.status_code == 200 and "falsework bench" in page.text
    for path in ("/api/sheets", "/api/bench", "/api/sheets/0123456789abcdef/files.zip"):
        assert client.get(path, headers=elsewhere).status_code == 403
    forged = {**elsewhere, "origin": "https://evil.example"}
    for headers in (forged, {"origin": "https://evil.example"}, elsewhere):
        assert client.post("/api/invitations", headers=headers).status_code == 403
        assert client.patch("/api/sheets/0123456789abcdef", json={}, headers=headers).status_code == 403
    framed = page.headers["content-security-policy"]
    assert "frame-ancestors 'none'" in framed
    service.sheets.close()


def test_those_not_let_in_see_the_benchs_own_page_and_nothing_more(tmp_path: Path) -> None:
    app = create_app(BenchSettings(tmp_path, ledger=tmp_path / "ledger.sqlite3"))
    stranger = TestClient(app, base_url=HERE)
    page = stranger.get("/")
    assert page.status_code == 401 and "/assets/css/base.css" in page.text
    assert stranger.get("/assets/css/base.css").status_code == 200
    assert stranger.get("/assets/js/main.js").status_code == 401
    app.state.service.sheets.close()


def test_behind_a_server_that_speaks_https_its_name_is_ours(tmp_path: Path) -> None:
    public = "https://bench.museum.example"
    app = create_app(BenchSettings(tmp_path, ledger=tmp_path / "ledger.sqlite3", public=public))
    service: Service = app.state.service
    client = TestClient(app, base_url=public)
    answer = client.get("/enter", params={"token": service.sessions.invite()}, follow_redirects=False)
    assert answer.status_code == 303 and "secure" in answer.headers["set-cookie"].lower()
    invited = client.post("/api/invitations", headers={"origin": public})
    assert invited.status_code == 201 and invited.json()["address"].startswith(f"{public}/enter?token=")
    evil = client.post("/api/invitations", headers={"origin": "https://evil.example"})
    assert evil.status_code == 403
    assert not Hosts("127.0.0.1", 8808, public=public).knows("bench.museum.example:8808")
    service.sheets.close()


def ask(base: str) -> int:
    return httpx.get(f"{base}/", timeout=20).status_code


def test_a_thousand_half_open_connections_shut_nobody_out(served: Served) -> None:
    parts = urlsplit(served.entrance)
    base = f"{parts.scheme}://{parts.netloc}"
    assert parts.hostname is not None and parts.port is not None
    held: list[socket.socket] = []
    try:
        for k in range(1100):
            begun = socket.create_connection((parts.hostname, parts.port), timeout=20)
            begun.sendall(b"GET /api/bench HTTP/1.1\r\nHost: " if k % 2 else b"")
            held.append(begun)
        assert ask(base) == 401  # answered: this browser has not been let in
        assert served.client.get("/api/bench").status_code == 200
        open_now = len(os.listdir(f"/proc/{served.process.pid}/fd")) if Path("/proc").is_dir() else 0
        assert open_now < MOST_IDLE + 150
    finally:
        for begun in held:
            begun.close()


def test_numeric_addresses_and_a_picture_for_the_phone(monkeypatch: pytest.MonkeyPatch) -> None:
    assert reach.numeric_addresses("127.0.0.1") == reach.numeric_addresses("localhost") == []
    assert reach.numeric_addresses("192.168.7.3") == ["192.168.7.3"]
    monkeypatch.setattr(socket, "getaddrinfo", lambda *a, **k: [(socket.AF_INET, 1, 6, "", ("10.9.8.7", 0))])
    assert "10.9.8.7" in reach.numeric_addresses("0.0.0.0")
    assert reach.as_picture("http://10.9.8.7:8808/").startswith("data:image/svg+xml")

    def serve(settings: BenchSettings, ready: object) -> None:
        others = ("http://10.9.8.7:8808/enter?token=t",)
        ready(Entrances("http://127.0.0.1:8808/enter?token=s", others))  # type: ignore[operator]

    monkeypatch.setattr(serving, "serve", serve)
    told = CliRunner().invoke(bench_command, ["--host", "0.0.0.0", "--no-open"])
    assert told.exit_code == 0 and "http://10.9.8.7:8808/enter?token=t" in told.output
    assert "not encrypted" in told.output and "--public" in told.output and "▄" in told.output
