"""``index.html`` of a screening: pictures first, what will disappoint at the top, totals for all
that are wanted.

The rows travel within the page, by column and packed, so that a hundred thousand of them open at once from
a plain folder; pictures lie beside it and are loaded when they come into sight.
"""

from __future__ import annotations

import base64
import json
import os
import subprocess
import sys
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from falsework.files.atomic import atomic_file
from falsework.report import paper
from falsework.screening.dataset import INDEX, MARK, all_rows, batches
from falsework.screening.row import FAILED, NOT_READY, STATES, columns
from falsework.wording import figures
from falsework.wording.cautions import CautionedTask, cautions

NUMBERS = (
    "wanted", "part_g", "support_g", "part_s", "support_s", "price", "total", "loss", "sag_mm", "undersides",
    "size_x_mm", "size_y_mm", "size_z_mm", "volume_mm3", "triangles", "turned_total", "redraw_saving",
)  # fmt: skip
CHOICES = ("process", "state", "best_process", "why", "turn")
TEXTS = ("name", "file", "picture", "plan", "copy_of")
_SHOWN = (*NUMBERS, *CHOICES, *TEXTS)
_SORTED_LAST = 1e300


@dataclass(frozen=True)
class ProcessTotals:
    """Rows of a process that can be printed or were looked at, times the numbers wanted."""

    process: str
    rows: int
    not_ready: int
    failed: int
    wanted: int
    filament_g: float
    support_g: float
    time_s: float
    price: float


def write_index(folder: str | os.PathLike[str]) -> Path:
    """Write the page of a screening from the rows in its folder; its path."""
    path = Path(folder) / INDEX
    text = index_html(folder)
    with atomic_file(path) as aside:
        aside.write_text(text, "utf-8")
    return path


def write_index_apart(folder: str | os.PathLike[str]) -> None:
    """The same by a process of its own: what many rows take for a moment, a long run would keep."""
    command = [sys.executable, "-m", "falsework.screening.index", os.fspath(folder)]
    if subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, check=False).returncode:
        write_index(folder)  # where it fails too, why is said


def refresh_index(folder: str | os.PathLike[str]) -> None:
    """Write the page where rows are younger, as after a run that was stopped."""
    path = Path(folder) / INDEX
    newest = max((batch.stat().st_mtime for batch in batches(folder)), default=0.0)
    if not path.exists() or path.stat().st_mtime < newest:
        write_index(folder)


def index_html(folder: str | os.PathLike[str]) -> str:
    """The page; the same rows give the same bytes."""
    table = all_rows(folder, list(_SHOWN))
    values = {name: table.column(name) for name in _SHOWN}
    numbers = {name: _numbers(values[name]) for name in NUMBERS}
    order = _worst_first(values, numbers)
    facts, blob = _packed(values, numbers, order)
    asked = json.loads((Path(folder) / MARK).read_text("utf-8"))
    return paper.render(
        "screening.html",
        paper.page_file("screening.js"),
        ("order.css", "screening.css"),
        images_from="data: 'self' file:",
        asked=asked,
        totals=_totals(values, numbers),
        rows=table.num_rows,
        facts=json.dumps(facts, separators=(",", ":"), ensure_ascii=True).replace("<", "\\u003c"),
        data=base64.b64encode(zlib.compress(blob, 6)).decode("ascii"),
        words=figures,
        cautions=cautions(CautionedTask.PRINT, CautionedTask.TAKE_OFF),
    )


def _numbers(column: Any) -> NDArray[np.float64]:
    """A column as floats; nan for null."""
    import pyarrow as pa

    found: NDArray[np.float64] = column.cast(pa.float64()).to_numpy().astype(np.float64)
    return found


def _codes(column: Any) -> tuple[NDArray[np.int64], list[str]]:
    """A column of words as indices, and the words."""
    coded = column.combine_chunks().dictionary_encode()
    if hasattr(coded, "combine_chunks"):
        coded = coded.combine_chunks()
    return coded.indices.to_numpy(zero_copy_only=False).astype(np.int64), coded.dictionary.to_pylist()


def _worst_first(values: dict[str, Any], numbers: dict[str, NDArray[np.float64]]) -> NDArray[np.int64]:
    """Rows in the order of the page: failed, not ready, then by what is lost on all that are wanted."""
    codes, words = _codes(values["state"])
    rank = np.array([{FAILED: 0, NOT_READY: 1}.get(word, 2) for word in words] or [2])
    loss = np.nan_to_num(numbers["loss"] * numbers["wanted"], nan=-_SORTED_LAST)
    names = np.array(values["file"].to_pylist(), dtype=object)
    by_name = np.empty(len(names), dtype=np.int64)
    by_name[np.argsort(names, kind="stable")] = np.arange(len(names))
    found: NDArray[np.int64] = np.lexsort((by_name, -loss, rank[codes] if len(codes) else codes))
    return found


def _packed(
    values: dict[str, Any], numbers: dict[str, NDArray[np.float64]], order: NDArray[np.int64]
) -> tuple[dict[str, Any], bytes]:
    """What the page unpacks: numbers as float32, words as uint32 into a list, texts as lengths and UTF-8."""
    blocks: list[bytes] = []
    told: list[dict[str, Any]] = []
    for name in NUMBERS:
        blocks.append(numbers[name][order].astype("<f4").tobytes())
        told.append({"name": name, "kind": "number"})
    for name in CHOICES:
        codes, words = _codes(values[name])
        blocks.append(codes[order].astype("<u4").tobytes())
        told.append({"name": name, "kind": "choice", "words": words})
    for name in TEXTS:
        texts = values[name].to_pylist()
        coded = [texts[k].encode("utf-8") for k in order.tolist()]
        lengths = np.array([len(one) for one in coded], dtype="<u4").tobytes()
        whole = b"".join(coded)
        padding = b"\0" * (-len(whole) % 4)
        blocks.append(lengths + whole + padding)
        told.append({"name": name, "kind": "text", "bytes": len(whole)})
    meanings = {column.name: column.meaning for column in columns()}
    facts = {"rows": len(order), "columns": told, "states": STATES, "meanings": meanings}
    return facts, b"".join(blocks)


def _totals(values: dict[str, Any], numbers: dict[str, NDArray[np.float64]]) -> list[ProcessTotals]:
    """By process, and where there are several, with the best one for each part."""
    of, processes = _codes(values["process"])
    best, best_words = _codes(values["best_process"])
    state, states = _codes(values["state"])
    groups = [(name, of == k) for k, name in enumerate(processes)]
    groups.sort(key=lambda group: group[0])
    if len(groups) > 1:
        named = np.array([processes.index(word) if word in processes else -1 for word in best_words])
        groups.append(("the best for each part", named[best] == of))

    def total(mask: NDArray[np.bool_], *names: str) -> float:
        summed = sum((numbers[name] for name in names), np.zeros(len(mask)))
        return float(np.nansum(np.where(mask, summed * numbers["wanted"], 0.0)))

    def are(mask: NDArray[np.bool_], word: str) -> int:
        return int((mask & (state == states.index(word))).sum()) if word in states else 0

    return [
        ProcessTotals(
            name,
            int(mask.sum()),
            are(mask, NOT_READY),
            are(mask, FAILED),
            int(numbers["wanted"][mask].sum()),
            total(mask, "part_g", "support_g"),
            total(mask, "support_g"),
            total(mask, "part_s", "support_s"),
            total(mask, "price"),
        )
        for name, mask in groups
    ]


if __name__ == "__main__":
    write_index(sys.argv[1])
