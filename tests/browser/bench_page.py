"""What tests do on the bench's page, in the words of somebody who uses it."""

from __future__ import annotations

import base64
import json
import re
from pathlib import Path
from typing import Any

from browser.rest import still

# where the page shows that it knows a stage to be done
DONE = {
    "part": "#arrived.ready",
    "undersides": "#undersides.ready",
    "totals": "#totals.ready",
    "supports": "#supports.ready",
    "release": "#release.ready",
    "lies": "#lie.ready",
    "patches": "#lie .marks:not(:has([data-key='progress-patches']))",
    "faces": "#redraw [data-key='redraw-faces']",
    "redraw": "#redraw.ready",
    "files": "#files.ready",
    "audit": "#program.ready",
}
BY_ITSELF = ("part", "undersides", "totals", "supports", "release")


def drop(page: Any, path: Path, name: str | None = None, *, lands: bool = True) -> None:
    """Drop a file on the page, as from a folder beside the browser; ``lands``: on a sheet."""
    page.evaluate(
        """([name, text]) => {
          const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
          const moved = new DataTransfer();
          moved.items.add(new File([bytes], name));
          for (const type of ['dragenter', 'dragover', 'drop']) {
            const how = { bubbles: true, cancelable: true, dataTransfer: moved };
            document.body.dispatchEvent(new DragEvent(type, how));
          }
        }""",
        [name or path.name, base64.b64encode(path.read_bytes()).decode()],
    )
    if lands:
        page.wait_for_url(re.compile("/sheets/"))


def begin(page: Any, part: str) -> None:
    """Begin with a part of the museum."""
    page.locator(".demo-parts").get_by_role("button", name=part, exact=True).click()
    page.wait_for_url(re.compile("/sheets/"))


def sheet_id(page: Any) -> str:
    return str(page.url.split("/sheets/")[1].split("/")[0].split("?")[0])


def sheet_of(page: Any) -> dict[str, Any]:
    """The sheet as the server has it."""
    text = page.evaluate("(id) => fetch(`/api/sheets/${id}`).then((r) => r.text())", sheet_id(page))
    read: dict[str, Any] = json.loads(text)
    return read


def settled(page: Any, *stages: str) -> None:
    """Wait until what was done has reached the server, the server is done and the page shows it."""
    still(page)
    for stage in stages or BY_ITSELF:
        page.wait_for_function(
            """async ([id, stage]) => {
              const sheet = await (await fetch(`/api/sheets/${id}`)).json();
              const { state, error } = sheet.stages[stage];
              if (state === 'failed') throw new Error(JSON.stringify(error));
              return state === 'ready';
            }""",
            arg=[sheet_id(page), stage],
            polling=100,
        )
    page.wait_for_selector(f"article[data-version='{sheet_of(page)['version']}']")
    for stage in stages or BY_ITSELF:
        page.wait_for_selector(DONE[stage])
    page.wait_for_selector(".working:text-is('Up to date')")
    still(page)


def show(page: Any, section: str) -> None:
    page.locator(f"#{section}").evaluate("(e) => e.scrollIntoView()")
    still(page)


def foot(page: Any) -> str:
    return str(page.inner_text(".foot-figures"))
