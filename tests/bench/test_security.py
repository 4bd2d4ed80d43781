"""Who is let in, who is refused, what browsers are told; without workers, for nothing is computed."""

from __future__ import annotations

from collections.abc import Iterator

import httpx2 as httpx
import pytest
from starlette.testclient import TestClient

from bench.benches import Served
from falsework.bench import security
from falsework.bench.app import create_app
from falsework.bench.arriving import plain_name
from falsework.bench.security import Hosts
from falsework.bench.service import BenchSettings, Service

HERE = "http://127.0.0.1:8808"


def let_in(service: Service, app: object, base: str = HERE) -> TestClient:
    client = TestClient(app, base_url=base, raise_server_exceptions=False)  # type: ignore[arg-type]
    answer = client.get("/enter", params={"token": service.sessions.invite()}, follow_redirects=False)
    assert answer.status_code == 303
    return client


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    folder = tmp_path_factory.mktemp("bench")
    app = create_app(BenchSettings(folder, upload_bytes=100_000, ledger=folder / "ledger.sqlite3"))
    service: Service = app.state.service
    service.app = app  # type: ignore[attr-defined]
    yield service
    service.sheets.close()


@pytest.fixture(scope="module")
def client(service: Service) -> TestClient:
    return let_in(service, service.app)  # type: ignore[attr-defined]


@pytest.fixture
def stranger(service: Service) -> TestClient:
    return TestClient(service.app, base_url=HERE, raise_server_exceptions=False)  # type: ignore[attr-defined]


def kind(answer: httpx.Response) -> str:
    told = answer.json()["error"]
    assert told["wrong"] and set(told) == {"kind", "subject", "wrong", "cure"}
    return str(told["kind"])


def test_without_the_cookie_nothing_is_told_and_a_token_is_good_once(
    service: Service, stranger: TestClient
) -> None:
    for path in ("/api/bench", "/api/sheets", "/api/openapi.json", "/api/nothing"):
        answer = stranger.get(path)
        assert answer.status_code == 401 and kind(answer) == "NotSignedIn"
    assert stranger.post("/api/parts", content=b"solid").status_code == 401
    page = stranger.get("/sheets/1")
    assert page.status_code == 401 and "has not been let in" in page.text
    token = service.sessions.invite()
    answer = stranger.get("/enter", params={"token": token}, follow_redirects=False)
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie and "samesite=lax" in cookie.lower() and token not in cookie
    assert stranger.get("/api/bench").status_code == 200
    other = TestClient(stranger.app, base_url=HERE)
    assert other.get("/enter", params={"token": token}).status_code == 401
    assert other.get("/enter", params={"token": "guess"}).status_code == 401
    assert other.get("/enter").status_code == 401
    other.cookies.set(security.cookie_name(8808), "guess")
    assert other.get("/api/bench").status_code == 401


def test_invitations_let_one_more_browser_in_and_end(
    service: Service, client: TestClient, stranger: TestClient
) -> None:
    address = client.post("/api/invitations").json()["address"]
    assert address.startswith(f"{HERE}/enter?token=")
    assert stranger.get(address, follow_redirects=False).status_code == 303
    assert service.sessions.admit(service.sessions.invite(seconds=-1.0)) is None


@pytest.mark.parametrize(
    "host",
    [
        "evil.example:8808",
        "127.0.0.1:80",
        "127.0.0.1",
        "localhost.evil.example:8808",
        "10.0.0.7:8808",
        "",
        "[::1",
    ],
)
def test_a_name_that_was_made_to_point_here_is_refused(client: TestClient, host: str) -> None:
    answer = client.get("/api/bench", headers={"host": host})
    assert answer.status_code == 403 and kind(answer) == "WrongHost"


def test_the_machines_own_names_are_known_where_others_may_come_in() -> None:
    loop = Hosts("127.0.0.1", 8808)
    assert all(loop.knows(f"{name}:8808") for name in ("127.0.0.1", "localhost", "LOCALHOST", "[::1]"))
    wide = Hosts("0.0.0.0", 8808, ("print-room", "print-room.museum.example"))
    assert all(wide.knows(f"{name}:8808") for name in ("192.168.1.4", "[fe80::1]", "print-room", "localhost"))
    assert not wide.knows("evil.example:8808") and not wide.knows("192.168.1.4:9999")
    assert Hosts("127.0.0.1", 80).knows("localhost")


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": "file://127.0.0.1:8808"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_another_site_may_not_write_nor_read_the_interface(
    client: TestClient, headers: dict[str, str]
) -> None:
    answer = client.post("/api/invitations", headers=headers)
    assert answer.status_code == 403 and kind(answer) == "WrongOrigin"
    if "sec-fetch-site" in headers:
        assert client.get("/api/sheets", headers=headers).status_code == 403


def test_our_own_page_may(client: TestClient) -> None:
    headers = {"origin": HERE, "sec-fetch-site": "same-origin"}
    assert client.post("/api/invitations", headers=headers).status_code == 201


def test_every_answer_carries_the_policy_refusals_too(client: TestClient, stranger: TestClient) -> None:
    for answer in (
        client.get("/api/bench"),
        client.get("/"),
        client.get("/api/nothing"),
        stranger.get("/api/bench"),
        client.get("/api/bench", headers={"host": "evil.example"}),
    ):
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["x-frame-options"] == "DENY"
        assert answer.headers["cross-origin-resource-policy"] == "same-origin"


def test_too_much_is_refused_announced_or_not_and_leaves_nothing(
    service: Service, client: TestClient
) -> None:
    def unannounced() -> Iterator[bytes]:
        for _ in range(30):
            yield b"x" * 10_000

    for content in (b"x" * 100_001, unannounced()):
        answer = client.post("/api/parts", content=content)
        assert answer.status_code == 413 and kind(answer) == "TooLarge"
    assert list((service.settings.folder / "arriving").iterdir()) == []
    assert list(service.parts.iterdir()) == []
    big = {"version": 1, "note": "x" * (3 << 20)}
    assert client.patch(f"/api/sheets/{'0' * 16}", json=big).status_code == 413


def test_an_upload_that_never_ends_is_hung_up_on(served: Served) -> None:
    """The body of a request that is read as JSON may not be long; nobody waits for the rest of it."""
    import socket
    from urllib.parse import urlsplit

    address = urlsplit(served.entrance)
    cookie = "; ".join(f"{name}={value}" for name, value in served.client.cookies.items())
    head = (
        f"PATCH /api/sheets/{'0' * 16} HTTP/1.1\r\nHost: {address.netloc}\r\nCookie: {cookie}\r\n"
        "Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n"
    )
    piece = b"10000\r\n" + b" " * 0x10000 + b"\r\n"
    assert address.hostname and address.port
    with socket.create_connection((address.hostname, address.port), timeout=20) as line:
        line.sendall(head.encode())
        with pytest.raises((ConnectionResetError, BrokenPipeError)):
            for _ in range(4000):  # 256 MB: far more than any limit on such a request and than sockets hold
                line.sendall(piece)


def test_an_empty_file_is_refused_and_any_name_will_do(service: Service, client: TestClient) -> None:
    answer = client.post("/api/parts", params={"name": "../../a.stl"}, content=b"")
    assert answer.status_code == 422 and answer.json()["error"]["subject"] == "a.stl"
    for name in (
        "../../etc/passwd",
        "a\x00b\n.stl",
        "",
        "/",
        "..",
        "ä" * 400 + ".stl",
        "con",
        "\\\\host\\x.stl",
    ):
        answer = client.post("/api/parts", params={"name": name}, content=b"solid nothing")
        assert answer.status_code == 201, answer.text
        shown = answer.json()["sheet"]["part"]["name"]
        assert shown and "/" not in shown and "\\" not in shown and len(shown) <= 150
    # whatever it was called, it lies under its hash, once
    assert [len(path.name) for path in service.parts.iterdir()] == [64]
    assert {path.name for path in service.settings.folder.iterdir()} >= {"parts", "bench.sqlite"}


def test_names_keep_what_can_be_printed() -> None:
    assert plain_name("C:\\parts\\cleat (2).stl") == "cleat (2).stl"
    assert plain_name("möwe\u2028.3mf") == "möwe.3mf"
    assert plain_name("cleat\u202elts.exe") == "cleatlts.exe"  # a mark that would show it as another suffix
    assert plain_name("x" * 300 + ".stl").endswith(".stl")


@pytest.mark.parametrize(
    "path",
    [
        "/assets/../app.py",
        "/assets/%2e%2e/app.py",
        "/assets/..%2fapp.py",
        "/assets//etc/passwd",
        "/api/results/../../bench.sqlite/x",
        f"/api/results/{'0' * 64}/..%2f..%2fbench.sqlite",
        "/api/parts/..%2fbench.sqlite",
        "/api/sheets/..%2f..%2f/files/plan.json",
    ],
)
def test_no_path_of_a_client_reaches_the_file_system(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code in (404, 200)
    assert b"SQLite" not in answer.content and b"create_app" not in answer.content
    assert b"root:" not in answer.content


@pytest.mark.parametrize(
    ("method", "path", "content", "status"),
    [
        ("PATCH", f"/api/sheets/{'0' * 16}", b"{", 400),
        ("PATCH", f"/api/sheets/{'0' * 16}", b'{"version": 1, "colour": 2}', 422),
        ("PATCH", f"/api/sheets/{'0' * 16}", b'{"version": 1}', 404),
        ("PATCH", f"/api/sheets/{'0' * 16}", b'{"version": 1, "note": "\\ud800"}', 422),
        ("POST", f"/api/sheets/{'0' * 16}/stages/glory", b"", 404),
        ("GET", "/api/sheets/nothing", b"", 404),
        ("POST", "/api/sheets", b"", 405),
        ("PUT", "/api/processes/pla-0.4", b'{"based_on": "pla-0.4"}', 409),
        ("PUT", "/api/processes/ours", b'{"toml": "= ="}', 422),
        ("PUT", "/api/processes/ours", b"{}", 422),
        ("GET", "/api/processes/nobody", b"", 404),
        ("DELETE", "/api/processes/nobody", b"", 404),
        ("POST", "/api/demo/ship", b"", 404),
    ],
)
def test_errors_have_one_shape(
    client: TestClient, method: str, path: str, content: bytes, status: int
) -> None:
    answer = client.request(method, path, content=content, headers={"content-type": "application/json"})
    assert answer.status_code == status, answer.text
    kind(answer)
