"""What the bench answers to, by subject. Handlers check and hand on; what happens is in ``service``."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Request

from falsework.bench.service import Service


def _room(request: Request) -> Service:
    service: Service = request.app.state.service
    return service


def _visitor(request: Request) -> str:
    visitor: str = request.state.visitor
    return visitor


Here = Annotated[Service, Depends(_room)]
Who = Annotated[str, Depends(_visitor)]
"""Whose request it is, by the short name of its session."""
