"""The bench and the ledger: where it is, what its last fit holds, records as JSON."""

from __future__ import annotations

import dataclasses
import datetime
import enum
import hashlib
import re
from collections.abc import Collection
from pathlib import Path
from typing import Any

from falsework.bench.work import fit_file
from falsework.errors import LedgerError
from falsework.files.atomic import atomic_file
from falsework.ledger import Ledger, StoredFit
from falsework.ledger.place import ledger_path
from falsework.process.settings import Material, Printer, Process
from falsework.tuning.stored import can_be_read

_MAKE_KNOWN = "Choose one, or make it known first"
_KEPT_FITS = 8  # that nobody is known to need
_HASH = re.compile(r"[0-9a-f]{64}")


class LedgerAccess:
    """One ledger, made when something is first written. Safe to use from several threads."""

    def __init__(self, folder: Path, path: Path | None) -> None:
        self.path = ledger_path(path)
        self._folder = folder
        self._fit = ""
        (folder / "fits").mkdir(parents=True, exist_ok=True)
        self.look()

    def ledger(self) -> Ledger:
        """The ledger, made if it is not there."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        return Ledger.open(self.path)

    def existing(self) -> Ledger | None:
        """The ledger, None where there is none yet."""
        return Ledger.existing(self.path)

    def look(self) -> bool:
        """Read the fit that the ledger stored last; whether another one counts now.

        Its text then lies where workers find it, whatever the ledger stores later.
        """
        before = self._fit
        ledger = self.existing()
        stored = None if ledger is None else ledger.fit()
        self._fit = "" if stored is None else self._kept(stored)
        return self._fit != before

    @property
    def fit(self) -> str:
        """The hash of the fit that counts, as last looked at; '' for none. It counts for every printer and
        material: what one teaches bears on the others."""
        return self._fit

    def _kept(self, stored: StoredFit) -> str:
        digest = hashlib.sha256(stored.text.encode()).hexdigest()
        if digest == self._fit:
            return digest
        if not can_be_read(stored.text):
            return ""
        place = fit_file(self._folder, digest)
        if not place.exists():
            with atomic_file(place) as aside:
                aside.write_text(stored.text, "utf-8")
        return digest

    def is_fitted(self) -> bool:
        """Whether there is a fit that can be read and takes in every reading there is."""
        ledger = self.existing()
        stored = None if ledger is None else ledger.fit()
        if ledger is None or stored is None or stored.digest != ledger.readings_digest():
            return False
        return can_be_read(stored.text)

    def forget_fits(self, needed: Collection[str]) -> None:
        """Delete the fits that nobody needs: neither ``needed`` nor the one that counts nor among the
        latest few, which somebody may be about to ask for."""
        folder = self._folder / "fits"
        known = {*needed, self._fit}
        old = [place for place in folder.iterdir() if _HASH.fullmatch(place.name) and place.name not in known]
        for place in sorted(old, key=lambda place: place.stat().st_mtime, reverse=True)[_KEPT_FITS:]:
            place.unlink(missing_ok=True)

    def on(self, process: Process, printer: str | None, material: str | None) -> Process:
        """The process on a printer and with a material that the ledger knows by name."""
        ledger = self.existing()
        printers: dict[str, Printer] = {} if ledger is None else ledger.printers()
        materials: dict[str, Material] = {} if ledger is None else ledger.materials()
        if printer is not None and printer != process.printer.name:
            if printer not in printers:
                raise LedgerError(printer, "is no printer of the ledger", _MAKE_KNOWN)
            process = dataclasses.replace(process, printer=printers[printer])
        if material is not None and material != process.material.name:
            if material not in materials:
                raise LedgerError(material, "is no material of the ledger", _MAKE_KNOWN)
            process = dataclasses.replace(process, material=materials[material])
        return process

    def introduce(self, process: Process) -> Ledger:
        """The ledger, with the process's printer and material made known where they are not."""
        ledger = self.ledger()
        if process.printer.name not in ledger.printers():
            ledger.add_printer(process.printer)
        if process.material.name not in ledger.materials():
            ledger.add_material(process.material)
        return ledger


def plain(value: Any) -> Any:
    """Records as plain JSON values: dataclasses by their fields, days as ISO text."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    return value
