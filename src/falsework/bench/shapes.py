"""What goes over the line: requests, checked; and the answers, described."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field, JsonValue, StringConstraints

from falsework.bench.choices import Choices, Digest, Name, Strict, Words
from falsework.bench.documents import model_of
from falsework.process.settings import Process

Title = Annotated[str, StringConstraints(max_length=200)]
SheetVersion = Annotated[int, Field(ge=1, le=10**12, strict=True)]
ProcessName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._+-]{0,59}$")]


class ErrorOut(BaseModel):
    """What is wrong with what, and the cure."""

    kind: str
    subject: str
    wrong: str
    cure: str


class ErrorBody(BaseModel):
    """The one shape of errors."""

    error: ErrorOut


class StageOut(BaseModel):
    """Where a stage stands; ``shown`` is an older result that may be shown meanwhile, marked stale.

    ``news`` numbers what is told: what has a lesser number is older, however late it comes.
    """

    state: Literal["idle", "waiting", "queued", "running", "ready", "failed"]
    key: str | None = None
    step: str | None = None
    fraction: float | None = None
    ahead: int | None = None
    error: ErrorOut | None = None
    shown: str | None = None
    news: int | None = None


class PartOut(BaseModel):
    """The uploaded file."""

    digest: str
    name: str
    bytes: int


class ProgramOut(BaseModel):
    """A machine program that was dropped on a sheet; ``volumetric``: its E words count mm³ of plastic."""

    digest: str
    name: str
    bytes: int
    volumetric: bool
    dropped: float


class ProgramKept(BaseModel):
    """A machine program has arrived and is kept; no sheet refers to it yet."""

    digest: str
    name: str
    bytes: int


class UndoOut(BaseModel):
    """What would be undone and redone; null where nothing would."""

    what: str | None
    redo: str | None


class CautionOut(BaseModel):
    """A danger, and what to do about it."""

    head: str
    text: str


class CautionsOut(BaseModel):
    """Cautions by what a page leads to, and the rules that come before them."""

    tasks: dict[str, list[CautionOut]]
    rules: str


class SheetOut(BaseModel):
    """One work order."""

    id: str
    version: int
    created: float
    changed: float
    title: str
    note: str
    part: PartOut
    programs: Annotated[list[ProgramOut], Field(description="the first is audited; earlier ones follow")]
    choices: Choices
    undo: UndoOut
    stages: dict[str, StageOut]
    news: Annotated[int, Field(description="the number of this news; see StageOut")]
    fit: Annotated[
        str, Field(description="hash of the fit of readings that predictions rest on, '' for none")
    ]
    process: model_of(Process)  # type: ignore[valid-type]
    command: str | None
    cautions: Annotated[list[CautionOut], Field(description="of printing this part and taking supports off")]
    dropped: list[str] | None = None


class SheetRow(BaseModel):
    """A sheet in the list; what is known only of a whole plan is null before there is one."""

    id: str
    title: str
    part_name: str
    version: int
    created: float
    changed: float
    stages: dict[str, str]
    step: Annotated[str | None, Field(description="what is being worked out for it")]
    picture: Annotated[str | None, Field(description="key of the result with part.mesh and coarse.mesh")]
    size_mm: tuple[float, float, float] | None
    time_s: float | None
    mass_g: float | None
    price: Annotated[float | None, Field(description="all in all, as everything is chosen by")]
    ready: Annotated[bool | None, Field(description="whether it may be printed as it is")]
    wrong: Annotated[list[str], Field(description="why it may not")]


class SheetsOut(BaseModel):
    """All sheets, the latest changed first."""

    sheets: list[SheetRow]


class UploadOut(BaseModel):
    """A file has arrived, and the sheet made for it."""

    part: str
    name: str
    bytes: int
    sheet: SheetOut


class ChangedOut(BaseModel):
    """A field that somebody else changed."""

    field: str
    yours: JsonValue
    theirs: JsonValue
    both: bool


class ConflictBody(ErrorBody):
    """Somebody was faster: the sheet as it is now, and what changed."""

    sheet: SheetOut
    changed: list[ChangedOut]


class StepOut(BaseModel):
    """One state that a sheet has had. ``who`` is the short name of a browser, ``own`` whether it is this one;
    undo and redo lead to those ``before`` and ``after``; ``aside`` was undone before something else was done.
    """

    number: int
    what: str
    when: float
    who: str
    own: bool
    place: Literal["before", "now", "after", "aside"]


class FittedOut(BaseModel):
    """The ledger's readings were fitted anew: predictions, and what rests on them, may have changed."""

    when: float


class HistoryOut(BaseModel):
    """Every state of a sheet that is kept, in the order in which they were made."""

    title: str
    version: int
    steps: list[StepOut]
    fits: Annotated[list[FittedOut], Field(description="after the sheet was made")]


class DifferingOut(BaseModel):
    """One thing that differs between an earlier state and the sheet as it stands."""

    what: str
    then: str
    now: str


class AgainstOut(BaseModel):
    """How two sheets differ."""

    differs: list[DifferingOut]


class EarlierOut(BaseModel):
    """A state of a sheet's history: what it said, what differs from now, and which results are still kept."""

    step: StepOut
    title: str
    note: str
    part: PartOut
    choices: Choices
    process: model_of(Process)  # type: ignore[valid-type]
    stages: dict[str, StageOut]
    differs: list[DifferingOut]


class MarksOut(BaseModel):
    """Marks that have arrived."""

    digest: str
    count: int


class RowOut(BaseModel):
    """One setting of the registry."""

    table: str
    field: str
    key: str
    type: str
    unit: str
    low: float | None
    high: float | None
    choices: list[str]
    default: JsonValue
    help: str
    source: str
    allowed: str


class RegistryOut(BaseModel):
    """Every field that a person may set or record: unit, range, help, source; the terms of a price."""

    process: list[RowOut]
    condition: list[RowOut]
    reading: list[RowOut]
    weights: list[RowOut]
    price: dict[str, str]


class ProcessOut(BaseModel):
    """A process of this bench."""

    name: str
    builtin: bool
    basis: str
    process: model_of(Process)  # type: ignore[valid-type]


class ProcessesOut(BaseModel):
    """Built-in processes and kept ones."""

    processes: list[ProcessOut]


class BenchOut(BaseModel):
    """The bench itself."""

    version: str
    address: str
    started: float
    workers: int
    limits: dict[str, float]
    busy: dict[str, int]
    places: dict[str, bool]
    other_machines: bool


class InvitationOut(BaseModel):
    """A one-time address for one more browser."""

    address: str
    picture: Annotated[str, Field(description="the address as a QR code: an SVG image's data address")]
    expires: float


class CodeOut(BaseModel):
    """An address as a QR code: an SVG image's data address."""

    address: str
    picture: str


class DemoPart(BaseModel):
    """A part of the harbour museum."""

    name: str
    words: str


class DemoOut(BaseModel):
    """Parts to try the bench with."""

    parts: list[DemoPart]


class TaskOut(BaseModel):
    """Work beside the sheets."""

    id: str
    what: str
    state: Literal["queued", "running", "done", "refused", "failed", "stopped"]
    step: str
    fraction: float
    error: ErrorOut | None
    result: JsonValue


class SheetVersionMeant(Strict):
    """The version of the sheet that is meant."""

    version: SheetVersion


class ProgramIn(Strict):
    """A machine program that has arrived."""

    digest: Digest
    name: Name
    volumetric: bool = False


class CopyIn(Strict):
    """What a copy has otherwise than the sheet that it is made of."""

    title: Title | None = None
    choices: Annotated[
        dict[str, JsonValue],
        Field(description="JSON merge patch (RFC 7396) of Choices; null: the default", default_factory=dict),
    ]


class RedrawnIn(Strict):
    """Where the redrawn part goes: into a second sheet, or into this one in the version that is meant."""

    version: SheetVersion
    beside: bool = False


class SheetPatch(Strict):
    """A change: what is absent stays. ``choices`` is a JSON merge patch of ``Choices``."""

    version: SheetVersion
    title: Title | None = None
    note: Words | None = None
    program: Annotated[
        ProgramIn | None,
        Field(description="the machine program to audit from now on; null: take off the one that is"),
    ] = None
    choices: Annotated[
        dict[str, JsonValue],
        Field(description="JSON merge patch (RFC 7396) of Choices; null: the default", default_factory=dict),
    ]


class ProcessIn(Strict):
    """A process as a file's text, or as a built-in or kept one with settings changed."""

    toml: Annotated[str, StringConstraints(max_length=100_000)] | None = None
    based_on: Name | None = None
    settings: Annotated[
        dict[Name, Annotated[str, StringConstraints(max_length=200)]],
        Field(max_length=200, default_factory=dict),
    ]


Responses = dict[int | str, dict[str, Any]]


class Described(Strict):
    """A printer or a material: settings by name, as in a process ('printer.build_width_mm')."""

    settings: Annotated[
        dict[Name, Annotated[str, StringConstraints(max_length=200)]],
        Field(max_length=200, default_factory=dict),
    ]
    reason: Annotated[str, StringConstraints(max_length=1000)] = ""


def content(*types: str) -> Responses:
    """What a route hands out that is no JSON of the shapes here, by its content types."""
    raw: dict[str, Any] = {"schema": {"type": "string", "format": "binary"}}
    return {200: {"content": {one: {"schema": {}} if one == "application/json" else raw for one in types}}}


def errors(*statuses: int) -> Responses:
    """The errors of a route, for its description."""
    return {status: {"model": ErrorBody} for status in (400, 401, 403, *statuses)}
