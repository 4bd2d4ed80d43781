"""Answers of one shape: JSON, and errors as ``{"error": {kind, subject, wrong, cure}}``."""

from __future__ import annotations

import json
from typing import Any

from starlette.responses import JSONResponse

from falsework.errors import FalseworkError


class Json(JSONResponse):
    """A JSON answer; text that is no valid Unicode is written as escapes, never a fault."""

    def render(self, content: Any) -> bytes:
        return json.dumps(content, ensure_ascii=True, allow_nan=False, separators=(",", ":")).encode()


def error_body(kind: str, subject: str, wrong: str, cure: str = "") -> dict[str, Any]:
    """The one shape of errors."""
    return {"error": {"kind": kind, "subject": subject, "wrong": wrong, "cure": cure}}


def refusal(status: int, kind: str, subject: str, wrong: str, cure: str = "", **more: Any) -> Json:
    """An error as an answer; ``more`` stands beside it."""
    return Json({**error_body(kind, subject, wrong, cure), **more}, status)


class Refused(Exception):
    """Raised by a handler that answers with an error."""

    def __init__(self, status: int, kind: str, subject: str, wrong: str, cure: str = "", **more: Any) -> None:
        super().__init__(wrong)
        self.answer = refusal(status, kind, subject, wrong, cure, **more)


def not_found(what: str, name: str) -> Refused:
    """404 for a thing of that name."""
    return Refused(
        404, "NotFound", what, f"there is none called {name[:100]!r} here", "Go back and choose one"
    )


def error_of(error: FalseworkError) -> dict[str, str]:
    """What the Python API refuses, as the inner part of an error."""
    return {"kind": type(error).__name__, "subject": error.subject, "wrong": error.wrong, "cure": error.cure}


def of_error(error: FalseworkError, status: int = 422) -> Json:
    """What the Python API refuses, in its own words."""
    return Json({"error": error_of(error)}, status)
