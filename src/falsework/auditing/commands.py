"""What commands mean that the audit does not follow: which change where or what is laid, which are harmless.

By meaning, after the open firmware's documentation (the command lists of RepRap and Marlin) and RS-274 (NIST
IR 6556), from memory. A word that stands in no list here is not known: it may do anything.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from falsework.auditing.reading import Unfollowed
from falsework.auditing.value import Finding, FindingLevel


class Effect(StrEnum):
    """What a command that is not followed may change."""

    PLACE = "place"  # where strands lie, for all that follow
    AMOUNT = "amount"  # how much is laid
    MOVES = "moves"  # the head moves by itself
    STOPS = "stops"  # nothing more is printed, or the place is lost
    NOTHING = "nothing"


@dataclass(frozen=True)
class Meaning:
    """``says``: what the command does, in words that follow its name."""

    effect: Effect
    says: str


def _each(effect: Effect, **words: str) -> dict[str, Meaning]:
    return {word.replace("_", "."): Meaning(effect, says) for word, says in words.items()}


MEANINGS: Mapping[str, Meaning] = {
    **_each(
        Effect.PLACE,
        M92="sets steps per millimetre: everything may come out larger or smaller",
        M206="shifts the reference point: everything moves",
        M428="takes where the head stands for the reference point: everything moves",
        M218="shifts a tool against the others",
        M563="assigns drives and heaters to tools",
        M208="sets the ends of the axes",
        M350="sets microsteps: everything may come out larger or smaller",
        M351="sets microsteps: everything may come out larger or smaller",
        M556="sets a skew of the axes",
        M852="sets a skew of the axes",
        M569="sets which way motors turn: the print may be mirrored",
        M579="scales the axes",
        M584="assigns motors to axes",
        M664="sets the geometry of the arms",
        M665="sets the geometry of the arms",
        M666="shifts the ends of the axes",
        M667="sets how axes are joined",
        M669="sets how axes are joined",
        M290="shifts the head in height by small steps: the first layer changes",
        M851="sets the probe's offset: the first layer changes",
        M420="switches the correction for an uneven bed: heights change with it",
        M421="sets a point of the correction for an uneven bed",
        M557="sets where the bed is probed",
        M561="forgets the correction for an uneven bed",
        M374="saves the correction for an uneven bed",
        M375="loads a correction for an uneven bed",
        M376="fades out the correction for an uneven bed",
        M425="sets the correction for slack in the axes",
        M593="shapes the motion against ringing",
        M501="loads the machine's stored settings",
        M502="forgets the machine's settings",
        M504="checks the machine's settings",
        M98="runs another program, which is not seen here",
        M32="prints another file, which is not seen here",
        M808="repeats the lines that follow",
        G10="sets a tool's or a work piece's offset",
        G41="shifts the path by the tool's radius",
        G42="shifts the path by the tool's radius",
        G43="shifts the path by the tool's length",
        G51="scales everything",
        G52="shifts the count of the axes",
        G53="counts from the machine's own zero in this line",
        G55="counts from another zero",
        G56="counts from another zero",
        G57="counts from another zero",
        G58="counts from another zero",
        G59="counts from another zero",
        G68="turns everything",
        G69="ends a turning of everything",
        G90_1="counts centres of arcs from zero",
        G92_1="forgets the offsets of the count",
        G92_2="suspends the offsets of the count",
        G92_3="brings back the offsets of the count",
        G93="counts speeds as times",
        G95="counts speeds by the turn",
    ),
    **_each(
        Effect.AMOUNT,
        M207="sets how far filament is drawn back",
        M208_1="sets how far filament is fed again",
        M209="draws filament back by itself",
        M163="sets a mix of filaments",
        M164="stores a mix of filaments",
        M165="sets a mix of filaments",
        M166="fades a mix of filaments",
        M404="sets the filament's diameter",
        M405="lets a sensor correct for the filament's diameter",
        M406="ends the correction for the filament's diameter",
        M567="sets a mix of filaments",
        M592="corrects what is fed at speed",
        M603="sets how filament is changed",
        M605="lets two heads print at once",
    ),
    **_each(
        Effect.MOVES,
        G12="cleans the nozzle",
        G26="prints a test pattern of its own",
        G27="parks the head",
        G29="probes the bed",
        G30="probes the bed",
        G31="sets or parks the probe",
        G32="probes the bed",
        G33="probes the machine's geometry",
        G34="levels the gantry",
        G35="helps with the bed's screws",
        G38_2="moves until something is touched",
        G38_3="moves until something is touched",
        G38_4="moves until nothing is touched",
        G38_5="moves until nothing is touched",
        G60="stores where the head is",
        G61_1="changes how paths are followed",
        G76="probes at many temperatures",
        G80_1="probes the bed",
        G425="measures the machine with the nozzle",
        M48="probes many times",
        M125="parks the head",
        M401="lets the probe down",
        M402="takes the probe up",
        M600="changes the filament",
        M701="feeds filament in",
        M702="takes filament out",
        M303="heats to tune the heater",
        M306="heats to tune the heater",
        M915="drives an axis against its end",
    ),
    **_each(
        Effect.STOPS,
        M18="lets the motors go: the head's place is lost",
        M81="switches the power off",
        M84="lets the motors go: the head's place is lost",
        M112="is the emergency stop",
        M410="stops at once",
        M524="gives up the print",
        M999="starts the machine anew after a stop",
    ),
    **{
        word: Meaning(Effect.NOTHING, "")
        for word in [
            "G40",
            "G49",
            "G54",
            "G61",
            "G64",
            "G80",
            "G91.1",
            "G94",
            "G97",
            "G98",
            "G99",
            "M3",
            "M4",
            "M5",
            "M6",
            "M7",
            "M8",
            "M9",
            "M16",
            "M17",
            "M20",
            "M21",
            "M22",
            "M23",
            "M24",
            "M26",
            "M27",
            "M28",
            "M29",
            "M31",
            "M33",
            "M34",
            "M42",
            "M43",
            "M70",
            "M72",
            "M73",
            "M74",
            "M75",
            "M76",
            "M77",
            "M78",
            "M80",
            "M82",
            "M83",
            "M85",
            "M86",
            "M87",
            "M92.1",
            "M100",
            "M101",
            "M102",
            "M103",
            "M105",
            "M107",
            "M108",
            "M110",
            "M111",
            "M113",
            "M114",
            "M115",
            "M116",
            "M117",
            "M118",
            "M119",
            "M120",
            "M121",
            "M122",
            "M123",
            "M126",
            "M127",
            "M128",
            "M129",
            "M141",
            "M143",
            "M144",
            "M145",
            "M149",
            "M150",
            "M154",
            "M155",
            "M191",
            "M192",
            "M203",
            "M205",
            "M210",
            "M211",
            "M217",
            "M220",
            "M221",
            "M240",
            "M250",
            "M256",
            "M260",
            "M261",
            "M280",
            "M281",
            "M282",
            "M300",
            "M301",
            "M304",
            "M305",
            "M307",
            "M308",
            "M309",
            "M355",
            "M360",
            "M361",
            "M362",
            "M363",
            "M364",
            "M400",
            "M403",
            "M407",
            "M408",
            "M409",
            "M412",
            "M413",
            "M414",
            "M415",
            "M416",
            "M419",
            "M422",
            "M423",
            "M430",
            "M450",
            "M451",
            "M486",
            "M500",
            "M503",
            "M510",
            "M511",
            "M512",
            "M540",
            "M550",
            "M551",
            "M552",
            "M553",
            "M554",
            "M555",
            "M558",
            "M559",
            "M560",
            "M562",
            "M566",
            "M570",
            "M571",
            "M572",
            "M573",
            "M574",
            "M575",
            "M576",
            "M577",
            "M578",
            "M580",
            "M581",
            "M582",
            "M583",
            "M585",
            "M586",
            "M587",
            "M588",
            "M589",
            "M590",
            "M591",
            "M594",
            "M595",
            "M596",
            "M597",
            "M598",
            "M599",
            "M672",
            "M710",
            "M751",
            "M752",
            "M753",
            "M754",
            "M756",
            "M810",
            "M811",
            "M812",
            "M813",
            "M814",
            "M815",
            "M816",
            "M817",
            "M818",
            "M819",
            "M820",
            "M821",
            "M851.1",
            "M860",
            "M862",
            "M862.1",
            "M862.2",
            "M862.3",
            "M862.4",
            "M862.5",
            "M862.6",
            "M863",
            "M871",
            "M876",
            "M900",
            "M905",
            "M906",
            "M907",
            "M908",
            "M909",
            "M910",
            "M911",
            "M912",
            "M913",
            "M914",
            "M917",
            "M918",
            "M919",
            "M928",
            "M929",
            "M951",
            "M993",
            "M994",
            "M995",
            "M997",
        ]
    },
}
"""By word. M205, M203, M566, M572, M900 and their like change how the machine moves, and only in passing what
it lays; M500 keeps the machine's settings beyond this print, which :func:`command_findings` says."""

_LEVEL_BEFORE = {
    Effect.PLACE: FindingLevel.CAUTION,
    Effect.AMOUNT: FindingLevel.NOTE,
    Effect.MOVES: FindingLevel.NOTE,
}
_LEVEL_AMID = {
    Effect.PLACE: FindingLevel.CAUTION,
    Effect.AMOUNT: FindingLevel.CAUTION,
    Effect.MOVES: FindingLevel.FAULT,
    Effect.STOPS: FindingLevel.RUIN,
}
# what moves or scales all that follows: nothing laid before fits it
_BREAKS_AMID = {"M92", "M206", "M428", "M350", "M351", "M502", "M569", "M579", "M584", "G51", "G52", "G68"}
_HARMLESS_AMID = {"M125", "M600", "M603", "M701", "M702", "G60", "G27", "M401", "M402"}
_CURE = "See in the machine's manual what it does, or take it out"


def command_findings(met: Iterable[Unfollowed], last_strand_line: int) -> Iterable[Finding]:
    """A finding for each command that may change where or what is laid; the harmless ones are only counted.

    ``last_strand_line``: what comes behind it changes nothing any more.
    """
    unknown: list[Unfollowed] = []
    for one in met:
        meaning = MEANINGS.get(one.word)
        amid = 0 < one.later_line < last_strand_line
        if meaning is None:
            if one.line < last_strand_line:
                unknown.append(one)
            continue
        if one.word == "M500":
            says = f"M500 in line {one.line} keeps the machine's settings beyond this print"
            yield Finding(0, "command", FindingLevel.NOTE, says, _CURE, one.count, lines=(one.line,))
            continue
        if meaning.effect is Effect.NOTHING or (meaning.effect is Effect.STOPS and not amid):
            continue
        if one.line >= last_strand_line:
            continue
        level = (_LEVEL_AMID if amid else _LEVEL_BEFORE)[meaning.effect]
        if amid and one.word in _HARMLESS_AMID:
            level = FindingLevel.NOTE
        if amid and one.word in _BREAKS_AMID:
            level = FindingLevel.FAULT
        line = one.later_line if amid else one.line
        when = " in the middle of the print" if amid else ""
        says = f"{one.word} in line {line}{when} {meaning.says}; that is not followed here"
        kind = "stops" if meaning.effect is Effect.STOPS else "command"
        yield Finding(0, kind, level, says, _CURE, one.count, lines=(line,))
    motion = [u for u in unknown if u.word.startswith("G")]
    others = [u for u in unknown if not u.word.startswith("G")]
    if motion:
        says = f"words that may move the machine are not followed: {_listed(motion)}"
        yield _of_words("unfollowed", FindingLevel.CAUTION, says, motion)
    if others:
        yield _of_words(
            "unknown", FindingLevel.NOTE, f"words that are not known here: {_listed(others)}", others
        )


def harmless(met: Iterable[Unfollowed]) -> int:
    """How many lines hold commands that change nothing about what is laid."""
    return sum(u.count for u in met if (m := MEANINGS.get(u.word)) is not None and m.effect is Effect.NOTHING)


def _of_words(kind: str, level: FindingLevel, says: str, words: list[Unfollowed]) -> Finding:
    cure = "Check by the machine's manual what they do"
    return Finding(
        0, kind, level, says, cure, sum(u.count for u in words), lines=tuple(u.line for u in words)
    )


def _listed(words: list[Unfollowed]) -> str:
    shown = ", ".join(f"{u.word} (line {u.line}{f', {u.count} ×' if u.count > 1 else ''})" for u in words[:8])
    return shown + (" and more" if len(words) > 8 else "")
