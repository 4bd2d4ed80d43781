"""The API's description: OpenAPI as JSON, and the same as a plain page that needs no script."""

from __future__ import annotations

import json
from html import escape
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from pydantic.json_schema import models_json_schema

ABOUT = """The bench's own interface, as its page uses it. Every request needs the cookie that the address
printed by `falsework bench` gives. Errors have one shape: `{"error": {kind, subject, wrong, cure}}`.
Results are documents of the Python API under their own field names, and binary buffers: see docs/bench.md."""

_REFERENCE = "#/components/schemas/"


def describe_api(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI document; made once."""
    if app.openapi_schema is None:
        from falsework.bench.documents import document_models

        made = get_openapi(title="falsework bench", version=app.version, description=ABOUT, routes=app.routes)
        models = [(model, "serialization") for model in document_models()]
        _, shapes = models_json_schema(models, ref_template=_REFERENCE + "{model}")  # type: ignore[arg-type]
        known = made["components"]["schemas"]
        for name, shape in shapes["$defs"].items():
            known.setdefault(name, shape)
        app.openapi_schema = made
    return app.openapi_schema


def page(document: dict[str, Any]) -> str:
    """The description as one page of HTML without script or style of its own."""
    parts = [f"<h1>{escape(document['info']['title'])}</h1><p>{escape(ABOUT)}</p><h2>Requests</h2>"]
    for path, methods in document["paths"].items():
        for method, route in methods.items():
            parts.append(_route(method.upper(), path, route))
    parts.append("<h2>Shapes</h2>")
    for name, shape in sorted(document["components"]["schemas"].items()):
        parts.append(_shape(name, shape))
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>falsework bench: interface</title></head><body><main>{''.join(parts)}</main></body></html>"
    )


def _route(method: str, path: str, route: dict[str, Any]) -> str:
    rows = [
        _entry(f"{p['name']} in {p['in']}", p["schema"], p.get("required", False))
        for p in route.get("parameters", [])
    ]
    for kind, content in route.get("requestBody", {}).get("content", {}).items():
        rows.append(f"<dt>body, {escape(kind)}</dt><dd>{_type(content.get('schema', {}))}</dd>")
    for status, answer in route["responses"].items():
        shapes = ", ".join(_type(c.get("schema", {})) for c in answer.get("content", {}).values())
        rows.append(f"<dt>answer {status}</dt><dd>{shapes or escape(answer.get('description', ''))}</dd>")
    said = escape(route.get("description", ""))
    head = f"<h3><code>{method} {escape(path)}</code></h3>"
    return f"<section>{head}<p>{said}</p><dl>{''.join(rows)}</dl></section>"


def _entry(name: str, kind: dict[str, Any], needed: bool) -> str:
    optional = "" if needed else ", may be left out"
    return f"<dt><code>{escape(name)}</code>{optional}</dt><dd>{_type(kind)}</dd>"


def _shape(name: str, shape: dict[str, Any]) -> str:
    said = escape(shape.get("description", ""))
    needed = shape.get("required", ())
    rows = [_entry(name, kind, name in needed) for name, kind in shape.get("properties", {}).items()]
    own = "" if rows else f"<p>{_type(shape)}</p>"
    head = f'<section id="{escape(name)}"><h3>{escape(name)}</h3>'
    return f"{head}<p>{said}</p>{own}<dl>{''.join(rows)}</dl></section>"


def _type(shape: dict[str, Any]) -> str:
    """A type in a few words, with a link where it has a name."""
    if "$ref" in shape:
        name = escape(shape["$ref"].removeprefix(_REFERENCE))
        return f'<a href="#{name}">{name}</a>'
    for key in ("anyOf", "oneOf", "allOf"):
        if key in shape:
            return " or ".join(_type(each) for each in shape[key])
    if "enum" in shape:
        return "one of " + ", ".join(f"<code>{escape(str(value))}</code>" for value in shape["enum"])
    if "const" in shape:
        return f"<code>{escape(json.dumps(shape['const']))}</code>"
    kind = str(shape.get("type", "anything"))
    if kind == "array":
        inside = shape.get("prefixItems")
        return "list of " + (", ".join(map(_type, inside)) if inside else _type(shape.get("items", {})))
    if kind == "object" and isinstance(shape.get("additionalProperties"), dict):
        return "map to " + _type(shape["additionalProperties"])
    limits = [
        f"{words} {shape[key]}"
        for key, words in (
            ("minimum", "from"),
            ("exclusiveMinimum", "above"),
            ("maximum", "to"),
            ("maxLength", "at most"),
            ("pattern", "like"),
            ("format", "format"),
        )
        if key in shape
    ]
    return escape(", ".join([kind, *limits]))
