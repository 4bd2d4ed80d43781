"""``Choices``: everything a person decides on a sheet, checked; how it is changed, compared and named."""

from __future__ import annotations

import math
import re
import shlex
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints

from falsework.errors import ProcessError
from falsework.process.schema import describe
from falsework.process.settings import Printer, Process
from falsework.process.toml import override
from falsework.request import MarkedFaces, Placing, Wish
from falsework.request import Standing as PlainStanding
from falsework.request import Weights as PlainWeights
from falsework.request.standing import EARLIER as _STANDING_WAS
from falsework.request.weights import WEIGHTS
from falsework.wording.heading import UNTITLED, Heading

_COMMA = re.compile(r"\s*([-+]?\d*),(\d+)\s*")


def _pointed(text: Any) -> Any:
    """A number with a decimal comma as one with a point; anything else as it is."""
    found = _COMMA.fullmatch(text) if isinstance(text, str) else None
    return f"{found[1]}.{found[2]}" if found else text


SettingText = Annotated[str, StringConstraints(max_length=200), BeforeValidator(_pointed)]
Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Name = Annotated[str, StringConstraints(min_length=1, max_length=200)]
Words = Annotated[str, StringConstraints(max_length=20_000)]
UndersideNumber = Annotated[str, StringConstraints(pattern=r"^[1-9][0-9]{0,5}$")]
StandingWord = Annotated[
    Literal["leave", "bed", "bed-or-part"], BeforeValidator(lambda word: _STANDING_WAS.get(str(word), word))
]
Unit = Literal["um", "mm", "cm", "inch", "foot", "m"]

# What renumbers the undersides: words and overrules of the old numbers do not fit the new ones.
_PLACING = ("turn_deg", "scale", "unit")
_PLAIN = PlainWeights()


def _number(value: Any) -> Any:
    if isinstance(value, bool):
        raise ValueError("must be a number")
    return value


Number = Annotated[float, BeforeValidator(_number), Field(allow_inf_nan=False)]
Angle = Annotated[Number, Field(ge=-3600, le=3600)]
Weight = Annotated[Number, Field(ge=0, le=1e6)]
GivenVector = tuple[
    Annotated[Number, Field(ge=-1e6, le=1e6)],
    Annotated[Number, Field(ge=-1e6, le=1e6)],
    Annotated[Number, Field(ge=-1e6, le=1e6)],
]


def _some_way(vector: GivenVector) -> GivenVector:
    if not math.hypot(*vector) > 1e-9:
        raise ValueError("must point somewhere")
    return vector


Direction = Annotated[GivenVector, AfterValidator(_some_way)]


class Strict(BaseModel):
    """What arrives from outside: no unknown fields, never changed."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class ChosenWeights(Strict):
    """See ``falsework.Weights``."""

    finish_per_cm2: Weight = _PLAIN.finish_per_cm2
    filament: Weight = _PLAIN.filament
    time: Weight = _PLAIN.time
    hands_per_hour: Weight = _PLAIN.hands_per_hour
    show_per_cm2: Weight = _PLAIN.show_per_cm2
    strength: Weight = _PLAIN.strength


class NamedFaces(Strict):
    """Faces in the part's own frame: by direction, by name."""

    directions: Annotated[tuple[Direction, ...], Field(max_length=64)] = ()
    face_sets: Annotated[tuple[Name, ...], Field(max_length=64)] = ()


class ShownFaces(NamedFaces):
    """Faces to keep clean: by direction, by name, by marks."""

    faces: Digest | None = None

    @property
    def empty(self) -> bool:
        return not (self.directions or self.face_sets or self.faces)


ChangeName = Literal["leave", "corbel", "peaked roof", "ribs", "crossed steps", "membrane", "drawn-in fins"]


class Redrawing(Strict):
    """What may be changed in the part itself: ``keep`` names found faces that stay, ``cuts`` has cuts into
    pieces looked for too, ``change`` says by the number of an underside what to do about it."""

    keep: Annotated[tuple[Name, ...], Field(max_length=200)] = ()
    cuts: bool = False
    change: Annotated[dict[UndersideNumber, ChangeName], Field(max_length=200)] = {}


class Choices(Strict):
    """What is decided about one part."""

    process: Name = "pla-0.4"
    settings: Annotated[dict[Name, SettingText], Field(max_length=200)] = {}
    turn_deg: tuple[Angle, Angle, Angle] = (0.0, 0.0, 0.0)
    scale: Annotated[Number, Field(gt=0, le=1e4)] = 1.0
    unit: Unit | None = None
    standing: Literal["auto"] | StandingWord = "auto"
    weights: ChosenWeights = ChosenWeights()
    overrules: Annotated[dict[UndersideNumber, StandingWord], Field(max_length=5000)] = {}
    show: ShownFaces = ShownFaces()
    spare: NamedFaces = NamedFaces()  # not to be touched, and by marks:
    keep_off: Digest | None = None
    load_axis: Direction | None = None
    supports_as: Literal["support", "solidsupport", "model"] = "support"
    underside_notes: Annotated[dict[UndersideNumber, Words], Field(max_length=5000)] = {}
    redrawing: Redrawing = Redrawing()

    def placing(self) -> Placing:
        """How the part is read and put on the bed."""
        return Placing(self.unit, self.scale, self.turn_deg)

    def wish(self, process: Process) -> Wish:
        """What is asked of the part printed by ``process``; but for faces marked by hand."""
        return Wish(
            process,
            standing=self.standing,
            overrules={int(number): PlainStanding(standing) for number, standing in self.overrules.items()},
            weights=PlainWeights(**self.weights.model_dump()),
            show=MarkedFaces(self.show.directions, self.show.face_sets),
            spare=MarkedFaces(self.spare.directions, self.spare.face_sets),
            load_axis=self.load_axis,
        )

    def marks(self) -> set[str]:
        """The digests of all that was marked on faces."""
        return {digest for digest in (self.show.faces, self.keep_off) if digest}


def merged(choices: Choices, patch: Mapping[str, Any]) -> Choices:
    """``choices`` after a JSON merge patch (RFC 7396); a field set to null goes back to its default.

    Raises pydantic's ValidationError where the result is none.
    """
    return Choices.model_validate(_merge(choices.model_dump(mode="json"), patch))


def _merge(target: Any, patch: Any) -> Any:
    if not isinstance(patch, Mapping):
        return patch
    out = dict(target) if isinstance(target, Mapping) else {}
    for key, value in patch.items():
        if value is None:
            out.pop(key, None)
        else:
            out[key] = _merge(out.get(key), value)
    return out


def without_lost_numbers(
    before: tuple[Choices, Process, str], after: tuple[Choices, Process, str]
) -> tuple[Choices, list[str]]:
    """The new choices without what was said of undersides that are numbered anew, and those numbers.

    Each state is choices, resolved process and part digest. What the same change says itself stays.
    """
    (old, old_process, old_part), (new, process, part) = before, after
    same = (
        old_part == part
        and all(getattr(old, name) == getattr(new, name) for name in _PLACING)
        and _need_of(old_process) == _need_of(process)
    )
    if same:
        return new, []
    kept = {
        field: {
            key: value for key, value in getattr(new, field).items() if getattr(old, field).get(key) != value
        }
        for field in ("overrules", "underside_notes")
    }
    lost = {key for field in kept for key in getattr(new, field) if key not in kept[field]}
    was, now = old.redrawing.change, new.redrawing.change
    change = {key: kind for key, kind in now.items() if was.get(key) != kind}
    lost |= now.keys() - change.keys()
    redrawing = new.redrawing.model_copy(update={"change": change})
    return new.model_copy(update={**kept, "redrawing": redrawing}), sorted(lost, key=int)


def _need_of(process: Process) -> Process:
    """The process with everything at its default that cannot change which undersides there are, or their
    order: prices and names, the machine, how supports are built."""
    material = replace(process.material, name="-", price_per_kg=0.0, density_g_cm3=1.0)
    return replace(process.with_usual_structure(), name="-", printer=Printer(), material=material)


def resolved(base: Process, choices: Choices) -> Process:
    """The process with the sheet's own settings; ProcessError where one does not fit."""
    return override(base, choices.settings) if choices.settings else base


def flat(state: Mapping[str, Any], stem: str = "") -> dict[str, Any]:
    """The leaves of nested maps by dotted path: ``choices.overrules.3``. Empty maps have none."""
    out: dict[str, Any] = {}
    for key, value in state.items():
        path = f"{stem}{key}"
        if isinstance(value, Mapping):
            out.update(flat(value, f"{path}."))
        else:
            out[path] = value
    return out


def differences(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, Any]:
    """Paths whose leaf differs, with the value after (None where it is gone)."""
    old, new = flat(before), flat(after)
    return {path: new.get(path) for path in {**old, **new} if old.get(path) != new.get(path)}


NAMES = {  # of fields, as people say them
    "title": "title",
    "note": "note",
    "part": "part",
    "programs": "machine programs",
    "choices.process": "process",
    "choices.turn_deg": "lie",
    "choices.scale": "scale",
    "choices.unit": "unit",
    "choices.standing": "where supports start",
    "choices.weights": "what counts",
    "choices.show": "faces to keep clean",
    "choices.spare": "faces supports must not touch",
    "choices.keep_off": "faces supports must not touch",
    "choices.load_axis": "load axis",
    "choices.supports_as": "object type of supports",
    "choices.redrawing": "how the part may be redrawn",
}
_UNIT = re.compile(r"_(mm3|mm2|mm_s2|mm_s|mm|deg|c|g_cm3|per_kg|per_hour|j_kg_k|w_m_k|gpa|mpa|pa_s|k)$")
_MOST_SAID = 3
_SAID = ("process", "scale", "unit", "standing", "supports_as")  # short enough to be said whole


def change_words(before: Mapping[str, Any], after: Mapping[str, Any]) -> str:
    """A change as the words beside *undo*: 'where supports start: bed', 'title, unit, 4 more'; what was said
    of undersides comes last, for a turned part drops it by the way."""
    said: list[str] = []
    for path, value in sorted(
        differences(before, after).items(),
        key=lambda item: ("underside" in item[0] or "overrules" in item[0], item[0]),
    ):
        head, _, tail = path.partition(".")
        field, _, rest = tail.partition(".")
        if head == "process":  # follows from the choices
            continue
        if head == "programs":
            said.append(f"program {value[0]['name']}" if value else "program taken off")
            continue
        if head == "choices" and field == "overrules":
            said.append(f"underside {rest}: {value or 'as chosen for you'}")
        elif head == "choices" and field == "underside_notes":
            said.append(f"note on underside {rest}")
        elif head == "choices" and field == "settings":
            setting, unit = setting_words(rest)
            said.append(f"{setting} {'as in the process' if value is None else f'{value} {unit}'.rstrip()}")
        else:
            name = NAMES.get(f"{head}.{field}" if head == "choices" else head, field or head)
            said.append(f"{name}: {value}" if field in _SAID and value is not None else name)
    unique = list(dict.fromkeys(said))
    if not unique:
        return "nothing"
    if len(unique) > _MOST_SAID:
        unique[_MOST_SAID - 1 :] = [f"{len(unique) - _MOST_SAID + 1} more"]
    return ", ".join(unique)


def setting_words(key: str) -> tuple[str, str]:
    """A setting's name without its unit, and that unit where the name has it: 'layer height', 'mm'."""
    field = key.rpartition(".")[2]
    name = _UNIT.sub("", field)
    return name.replace("_", " "), _units().get(field, "") if name != field else ""


@lru_cache
def _units() -> dict[str, str]:
    return {row.field: row.unit for row in describe()}


def command(
    part_name: str, choices: Choices, builtin: bool, ledger: str = "", heading: Heading = UNTITLED
) -> str | None:
    """The same plan by command line; None where a command cannot say it (faces marked by hand).

    ``ledger``: the file whose fit counts, 'none', or '' for what the command takes by itself.
    """
    if choices.keep_off is not None:
        return None
    words = ["falsework", "plan", part_name]
    words += ["--process", choices.process if builtin else f"{choices.process}.toml"]
    for key, text in choices.settings.items():
        words += ["--set", f"{key}={text}"]
    if ledger:
        words += ["--ledger", ledger]
    if any(choices.turn_deg):
        words.append("--turn=" + ",".join(repr(angle) for angle in choices.turn_deg))
    if choices.scale != 1.0:
        words += ["--scale", repr(choices.scale)]
    if choices.unit is not None:
        words += ["--unit", choices.unit]
    if choices.standing != "auto":
        words += ["--standing", choices.standing]
    for number, standing in sorted(choices.overrules.items(), key=lambda item: int(item[0])):
        words += ["--overrule", f"{number}={standing}"]
    if choices.weights != ChosenWeights():
        weights = choices.weights
        named = {name: getattr(weights, field) for name, field in WEIGHTS.items()}
        words.append("--weigh=" + ",".join(f"{name}={value!r}" for name, value in named.items()))
    words += [f"--spare={_way(direction)}" for direction in choices.spare.directions]
    words += [f"--spare={name}" for name in choices.spare.face_sets]
    if choices.supports_as != "support":
        words += ["--supports-as", choices.supports_as]
    if heading.title:
        words.append(f"--title={heading.title}")
    if heading.note:
        words.append(f"--note={heading.note}")
    return " ".join(map(shlex.quote, words))


def _way(direction: GivenVector) -> str:
    """A direction as a command takes it: '+z', '0.0,1.0,1.0'."""
    for axis, along in zip("xyz", direction, strict=True):
        if along and math.hypot(*direction) == abs(along):
            return f"{'+' if along > 0 else '-'}{axis}"
    return ",".join(map(repr, direction))


def base_process(name: str, kept: Mapping[str, Process]) -> Process:
    """The built-in process of that name or the one the bench keeps; ProcessError for another."""
    from falsework.process.builtin import builtin, builtin_names

    if name in builtin_names():
        return builtin(name)
    if name in kept:
        return kept[name]
    raise ProcessError(name, "there is no process of that name on this bench", "Choose one from the list")
