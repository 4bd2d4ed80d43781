"""Requests that nobody thought of, made from the API's description: none is answered with a fault of ours."""

from __future__ import annotations

import re
import socket
import threading
import time
from collections.abc import Iterator
from typing import Any

import httpx2 as httpx
import pytest
import schemathesis
import uvicorn
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from falsework.bench.app import create_app
from falsework.bench.description import describe_api
from falsework.bench.security import cookie_name
from falsework.bench.service import BenchSettings, Service

NEVER_END = "/events$"
CHECKS = [
    not_a_server_error,
    response_schema_conformance,
    content_type_conformance,
    response_headers_conformance,
    status_code_conformance,
]


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A bench without workers: jobs wait for ever, everything else is real."""
    folder = tmp_path_factory.mktemp("bench")
    with socket.create_server(("127.0.0.1", 0)) as bound:
        port = bound.getsockname()[1]
        app = create_app(BenchSettings(folder, port=port, ledger=folder / "ledger.sqlite3"))
        service: Service = app.state.service
        server = uvicorn.Server(uvicorn.Config(app, lifespan="off", log_level="warning"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [bound]})
        thread.start()
        while not server.started:
            time.sleep(0.01)
        secret = service.sessions.admit(service.sessions.invite())
        schema = schemathesis.openapi.from_dict(describe_api(app))
        schema.config.update(base_url=f"http://127.0.0.1:{port}")
        schema.config.headers = {"cookie": f"{cookie_name(port)}={secret}"}
        yield schema.exclude(path_regex=NEVER_END)
        server.should_exit = True
        thread.join()
        service.sheets.close()


def test_no_request_ends_in_a_fault_and_answers_are_as_described(api: Any) -> None:
    operations = [found.ok() for found in api.get_all_operations()]
    assert len(operations) > 50
    for operation in operations:

        @given(case=operation.as_strategy())
        @settings(
            max_examples=3,
            deadline=None,
            derandomize=True,
            database=None,
            phases=[Phase.explicit, Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        def ask(case: Any) -> None:
            case.call_and_validate(checks=CHECKS)

        ask()


def test_a_method_that_an_address_does_not_know_is_told_which_it_knows(api: Any) -> None:
    operations = [found.ok() for found in api.get_all_operations()]
    by_path: dict[str, set[str]] = {}
    for operation in operations:
        by_path.setdefault(operation.path, set()).add(operation.method.upper())
    by_path.pop("/api/processes/{name}.toml")  # 'x.toml' is a process's name too
    headers = {**api.config.headers, "Connection": "close"}  # a new connection for each
    with httpx.Client(base_url=operations[0].base_url, headers=headers) as client:
        for path, methods in by_path.items():
            address = re.sub(r"\{[^}]*\}", "0123456789abcdef", path)
            for method in {"GET", "POST", "PUT", "PATCH", "DELETE"} - methods:
                answer = client.request(method, address)
                assert answer.status_code == 405, (method, path, answer.status_code)
                assert set(answer.headers["allow"].split(", ")) >= methods, (method, path)
        assert client.post("/api/nothing").status_code == 404
