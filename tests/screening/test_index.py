"""The page of a screening: what it carries, its order and its sums."""

from __future__ import annotations

import base64
import html
import json
import re
import zlib
from itertools import pairwise
from pathlib import Path

import numpy as np

from falsework.screening.index import index_html, write_index, write_index_apart
from screenings import PAGE_ROWS, kept


def unpacked(page: str) -> tuple[dict, dict]:
    facts = json.loads(re.search(r'id="facts">(.*?)</script>', page)[1])
    blob = zlib.decompress(base64.b64decode(re.search(r'id="data">(.*?)</script>', page)[1]))
    count, read, found = facts["rows"], 0, {}
    for column in facts["columns"]:
        kind = "<f4" if column["kind"] == "number" else "<u4"
        values = np.frombuffer(blob, kind, count, read)
        read += 4 * count
        found[column["name"]] = values.tolist()
        if column["kind"] == "choice":
            found[column["name"]] = [column["words"][k] for k in values]
        if column["kind"] == "text":
            ends = [read, *(read + np.cumsum(values.astype(np.int64))).tolist()]
            found[column["name"]] = [blob[a:b].decode() for a, b in pairwise(ends)]
            read += column["bytes"] + -column["bytes"] % 4
    assert read == len(blob)
    return facts, found


def test_the_page_carries_every_row_what_disappoints_first(tmp_path: Path) -> None:
    _, found = unpacked(index_html(kept(tmp_path / "out", PAGE_ROWS)))
    assert found["name"] == ["d", "c </script><b>", "b", "a", "a"]
    assert found["state"] == ["failed", "not ready", "ready", "ready", "ready"]
    assert found["why"][:2] == ["d: no part.", "It falls over."]
    assert found["support_g"][2] == 0.0 and np.isnan(found["price"][0])


def test_totals_are_times_the_numbers_wanted(tmp_path: Path) -> None:
    page = index_html(kept(tmp_path / "out", PAGE_ROWS)).replace("\u202f", " ").replace("\u00a0", " ")
    rows = re.findall(r'<tr[^>]*><th scope="row">(.*?)</tr>', page)
    cells = {name: rest for name, *rest in (re.split(r"(?:<[^>]+>)+", row.rstrip("</td>")) for row in rows)}
    assert cells["p"][:4] == ["4", "1", "1", "6"]
    assert cells["p"][4:] == [f"{3 * 12 + 10 + 12:.1f} g", f"{3 * 2 + 2:.1f} g", "10 min", "7.50 ¤"]
    assert cells["the best for each part"] == ["3", "1", "0", "5", *cells["p"][4:]], "none for what failed"


def test_the_same_rows_give_the_same_page_and_nothing_in_it_runs(tmp_path: Path) -> None:
    folder = kept(tmp_path / "out", PAGE_ROWS)
    page = index_html(folder)
    assert page == index_html(folder) and write_index(folder).read_text("utf-8") == page
    (folder / "index.html").unlink()
    write_index_apart(folder)
    assert (folder / "index.html").read_text("utf-8") == page
    assert page.count("</script>") == page.count("<script") and "<store>" not in page
    policy = html.unescape(re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1])
    assert "img-src data: 'self' file:" in policy and "default-src 'none'" in policy


def test_the_page_of_an_empty_table(tmp_path: Path) -> None:
    facts, _ = unpacked(index_html(kept(tmp_path / "out", [])))
    assert facts["rows"] == 0
