"""What the bench answers to, by subject. Handlers check and hand on; what happens is in ``room``."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Request

from falsework.bench.room import Room


def _room(request: Request) -> Room:
    room: Room = request.app.state.room
    return room


def _visitor(request: Request) -> str:
    visitor: str = request.state.visitor
    return visitor


Here = Annotated[Room, Depends(_room)]
Who = Annotated[str, Depends(_visitor)]
"""Whose request it is, by the short name that the doorkeeper gave."""
