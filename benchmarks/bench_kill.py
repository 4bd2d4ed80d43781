"""Kill the server, or a worker, at a random moment, again and again: what was answered is there afterwards.

Three people write all the while: notes on sheets, new parts, readings with photographs. Whatever the server
has answered before it died must be there when it starts again, word for word; what it had not answered may be
there or not, but never half. A killed worker must cost nothing but time.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import sys
import tempfile
import threading
import time
import uuid
from pathlib import Path
from typing import Any

import httpx2 as httpx

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from bench.benches import Served, upload
from falsework.files.stl import write_stl
from falsework.part.demo import table

PRINTER, MATERIAL = "harbour printer", "PLA"
OVERHANG = {
    "kind": "overhang",
    "nozzle_mm": 0.4,
    "layer_height_mm": 0.2,
    "line_width_mm": 0.45,
    "nozzle_temperature_c": 210.0,
    "fan": 1.0,
    "speed_mm_s": 45.0,
}


class Answered:
    """What the server has answered, and so must keep."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.notes: dict[str, str] = {}
        self.sent: dict[str, set[str]] = {}  # notes that were sent but perhaps never answered
        self.readings: dict[str, str] = {}  # the name we gave it → its photograph
        self.counts = {"notes": 0, "sheets": 0, "readings": 0}


def _write(
    client: httpx.Client, kept: Answered, part: bytes, chance: random.Random, over: threading.Event
) -> None:
    mine: dict[str, int] = {}
    try:
        while not over.is_set():
            what = chance.random()
            if what < 0.1 or not mine:
                sheet = upload(client, part, f"stool {uuid.uuid4().hex[:6]}.stl")
                mine[sheet["id"]] = sheet["version"]
                with kept.lock:
                    kept.notes[sheet["id"]] = ""
                    kept.counts["sheets"] += 1
            elif what < 0.6:
                id, note = chance.choice(list(mine)), uuid.uuid4().hex
                with kept.lock:
                    kept.sent.setdefault(id, set()).add(note)
                answer = client.patch(f"/api/sheets/{id}", json={"version": mine[id], "note": note})
                answer.raise_for_status()
                mine[id] = answer.json()["version"]
                with kept.lock:
                    kept.notes[id] = note
                    kept.counts["notes"] += 1
            else:
                name, picture = uuid.uuid4().hex, b"\x89PNG\r\n\x1a\n" + os.urandom(5000)
                answer = client.post("/api/photographs", content=picture)
                answer.raise_for_status()
                shown = answer.json()["photograph"]
                condition = {**OVERHANG, "angle_deg": round(chance.uniform(30, 80), 1)}
                body = {"printer": PRINTER, "material": MATERIAL, "condition": condition, "finish": 3}
                answer = client.post("/api/readings", json={**body, "once": name, "photographs": [shown]})
                answer.raise_for_status()
                with kept.lock:
                    kept.readings[name] = shown
                    kept.counts["readings"] += 1
    except httpx.TransportError:
        pass  # it died under us: what was under way was not answered


def _check(client: httpx.Client, kept: Answered, asked: int) -> list[str]:
    """What is missing or wrong; of the photographs the latest ``asked`` are fetched."""
    wrong = []
    for id, note in kept.notes.items():
        answer = client.get(f"/api/sheets/{id}")
        if answer.status_code != 200:
            wrong.append(f"sheet {id}: {answer.status_code}")
        elif (found := answer.json()["note"]) != note:
            if found in kept.sent.get(id, ()):  # written, but the answer never arrived
                kept.notes[id] = found
            else:
                wrong.append(f"sheet {id}: {found!r} for {note!r}")
    found: dict[str, Any] = {}
    page = 1
    while rows := client.get("/api/readings", params={"page": page}).json()["readings"]:
        found |= {row["uid"]: row for row in rows}
        page += 1
    for name, shown in kept.readings.items():
        if name not in found:
            wrong.append(f"reading {name} is gone")
        elif found[name]["photographs"] != [shown]:
            wrong.append(f"reading {name}: its photograph is gone")
    for name in list(kept.readings)[-asked:]:
        answer = client.get(f"/api/photographs/{kept.readings[name]}")
        wrong += [f"photograph {kept.readings[name]} cannot be read"] if answer.status_code != 200 else []
    return wrong


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--times", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="3 times")
    told = parser.parse_args()
    if told.quick:
        told.times = 3
    chance, kept = random.Random(told.seed), Answered()
    wrong: list[str] = []
    killed = {"server": 0, "worker": 0}
    with tempfile.TemporaryDirectory() as name:
        model = table(20.0, 20.0, 8.0)
        path = Path(name) / "stool.stl"
        write_stl(path, model.vertices, model.faces, model.name)
        part, folder = path.read_bytes(), Path(name) / "data"
        began = time.monotonic()
        for k in range(told.times):
            bench = Served(folder, "--workers", "1")
            for url in (f"/api/printers/{PRINTER}", f"/api/materials/{MATERIAL}"):
                bench.client.put(url, json={}).raise_for_status()
            wrong += _check(bench.client, kept, 5)
            over = threading.Event()
            people = [
                threading.Thread(
                    target=_write, args=(bench.newcomer(), kept, part, random.Random(chance.random()), over)
                )
                for _ in range(3)
            ]
            for person in people:
                person.start()
            time.sleep(chance.uniform(0.05, 1.5))
            if chance.random() < 0.3 and bench.workers():
                os.kill(chance.choice(bench.workers()), signal.SIGKILL)
                killed["worker"] += 1
                time.sleep(chance.uniform(0.0, 1.0))
            bench.kill()
            killed["server"] += 1
            over.set()
            for person in people:
                person.join()
            if wrong:
                break
            if (k + 1) % 10 == 0:
                print(f"{k + 1} times, {time.monotonic() - began:.0f} s: {kept.counts}", flush=True)
        bench = Served(folder, "--workers", "1")
        wrong += _check(bench.client, kept, len(kept.readings))
        bench.stop()
    print(f"\nkilled: {killed}; answered and looked for afterwards: {kept.counts}")
    print("nothing was lost" if not wrong else "\n".join(wrong[:20]))
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main()
