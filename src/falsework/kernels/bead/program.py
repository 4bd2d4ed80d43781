"""Reads an RS-274 machine program: from its bytes to the moves that the machine makes.

O(bytes), no allocation. Arrays as ``machine`` describes them.
"""

from __future__ import annotations

import math

import numpy as np

from falsework.kernels.bead.machine import (
    AFTER_END,
    ARC_CLOCKWISE,
    ARC_COUNTER,
    BAD,
    CHANGE_TOOL,
    CHECKSUM,
    ENDED,
    G_WORD,
    GARBLED,
    GIVEN,
    GS,
    IS_TEXT,
    JUMP,
    LINE,
    M_WORD,
    MOVES,
    MS,
    N_WORD,
    NEXT_N,
    NOZZLE,
    NUMBERED,
    RAPID,
    ROOM,
    SET_COUNT,
    SET_LINE_NUMBER,
    SOME_G,
    SOME_M,
    STRAIGHT,
    T_WORD,
    TEXT,
    TOOL,
    TOOL_CHANGE,
    TOOL_HEAT,
    TOOLED,
    TOOLS,
    execute,
    tally,
)
from falsework.kernels.compiled import bare, bare_kernel

_DIGITS = 17  # that a whole number of 64 bits holds with room to spare
_POWERS = 10.0 ** np.arange(0, 19)


@bare
def _long_number(text, first, end):
    """First digits of a number of many, as a whole number and how many of them are decimals."""
    whole = np.int64(0)
    digits = decimals = 0
    dotted = False
    for i in range(first, end):
        if text[i] == 46:
            dotted = True
        elif digits < _DIGITS:
            whole = whole * 10 + (text[i] - 48)
            digits += 1
            decimals += dotted
        elif not dotted:
            whole = np.int64(10**17)  # beyond any machine: told as wild
    return whole, decimals


@bare
def _ends_line(c):
    return c == 10 or c == 13


@bare
def _line_end(text, i, end):
    while i < end and not _ends_line(text[i]):
        i += 1
    return i


@bare
def _text_end(text, i, end):
    """Where a text ends: at the line's end, or at a checksum."""
    while i < end and not _ends_line(text[i]) and text[i] != 42:
        i += 1
    return i


@bare
def _past(text, i, end, mark):
    """Behind the next ``mark``, or at the line's end."""
    while i < end and text[i] != mark and not _ends_line(text[i]):
        i += 1
    return i + 1 if i < end and text[i] == mark else i


@bare
def _checksum(text, begin, i, end, counts, firsts, line):
    """Behind a checksum, whose star stands at ``i``; told if it is wrong."""
    total = 0
    for k in range(begin, i):
        total ^= text[k]
    i += 1
    said = digits = 0
    while i < end and 48 <= text[i] <= 57 and digits < 6:
        said = said * 10 + text[i] - 48
        digits += 1
        i += 1
    if digits == 0 or said != total:
        tally(counts, firsts, CHECKSUM, line, said)
    return i


@bare
def _bare(letter, following, value, words, g_words):
    """A letter without a number; returns whether the rest of the line is text."""
    if 97 <= following <= 122:
        following -= 32
    gs, ms = words[GS], words[MS]
    if (65 <= following <= 90 or following == 95) and not words[TOOLED]:
        # a word of text: a message behind an M word, or a command of letters
        if ms == 0:
            words[IS_TEXT] = gs == 0
            words[BAD] |= gs != 0
        return True
    if (gs > 0 and g_words[gs - 1] in (RAPID, STRAIGHT, ARC_CLOCKWISE, ARC_COUNTER, SET_COUNT)) or (
        gs == 0 and ms == 0 and not words[TOOLED] and letter != T_WORD
    ):
        words[BAD] = 1
    words[TOOLED] |= letter == T_WORD and ms == 0
    value[letter] = 0.0
    words[GIVEN] |= 1 << letter
    return False


@bare
def _takes_text(code):
    """Whether what follows an M word is text: names of files, messages."""
    return code in (160, 230, 280, 290, 320, 330, 980, 1170, 1180, 5500, 5510, 5870)


@bare
def _tool(amount, state, counts, firsts, line):
    if amount == state[TOOL]:
        return
    if counts[MOVES] > 0 or amount > 0:
        tally(counts, firsts, TOOL_CHANGE, line, amount)
    state[TOOL] = amount
    heat = state[TOOL_HEAT + int(amount)] if 0.0 <= amount < TOOLS else -1.0
    if heat >= 0.0:  # of one that has none of its own it stays as it is
        state[NOZZLE] = heat


@bare
def _word(letter, amount, state, counts, firsts, value, words, g_words, m_words, line):
    """A letter and its number; returns whether the rest of the line is text."""
    tenths = np.int64(math.floor(min(abs(amount), 1e6) * 10.0 + 0.5))
    if letter == G_WORD:
        if words[GS] < SOME_G:
            g_words[words[GS]] = tenths
            words[GS] += 1
    elif letter == M_WORD:
        if words[MS] < SOME_M:
            m_words[words[MS]] = tenths
            words[MS] += 1
        return _takes_text(tenths)
    elif letter == N_WORD:
        value[N_WORD] = amount
        words[NUMBERED] = 1
    elif letter == T_WORD and (
        words[MS] == 0 or m_words[0] == CHANGE_TOOL
    ):  # behind other M words T is their own
        words[TOOLED] = 1
        _tool(amount, state, counts, firsts, line)
    else:
        value[letter] = amount
        if words[GIVEN] & (1 << letter) and (words[GS] > 0 or words[MS] == 0):
            words[BAD] = 1  # the same word twice
        words[GIVEN] |= 1 << letter
    return False


@bare
def _read_line(text, i, end, state, counts, firsts, value, words, g_words, m_words, line):
    """The words of the line that begins at ``i``; returns where it ends."""
    begin = i
    for k in range(len(words)):
        words[k] = 0
    while i < end and not _ends_line(text[i]):
        c = text[i]
        if c <= 32 or c == 37 or c == 47:  # % tape ends, / optional line
            i += 1
            continue
        if c == 59:  # ; a comment to the end of the line
            return _line_end(text, i, end)
        if c == 40:  # ( a comment in brackets
            i = _past(text, i, end, 41)
            continue
        if c == 42:  # *
            i = _checksum(text, begin, i, end, counts, firsts, line)
            continue
        if 97 <= c <= 122:
            c -= 32
        if c < 65 or c > 90:
            words[BAD] = 1
            i += 1
            continue
        letter = c - 65
        i += 1
        following = text[i] if i < end else 10
        while i < end and (text[i] == 32 or text[i] == 9):
            i += 1
        if i < end and text[i] == 34:  # " a name: of a file, an object, a machine
            i = _past(text, i + 1, end, 34)
            value[letter] = 0.0
            words[GIVEN] |= 1 << letter
            continue
        if letter == T_WORD and following == 63:  # T? asks for a tool
            i += 1
            words[TOOLED] = 1
            continue
        at = i
        sign = 1.0
        if i < end and (text[i] == 45 or text[i] == 43):
            if text[i] == 45:
                sign = -1.0
            i += 1
        first = i
        whole = np.int64(0)
        while i < end and 48 <= text[i] <= 57:
            whole = whole * 10 + (text[i] - 48)
            i += 1
        digits = i - first
        decimals = 0
        if i < end and text[i] == 46:
            i += 1
            point = i
            while i < end and 48 <= text[i] <= 57:
                whole = whole * 10 + (text[i] - 48)
                i += 1
            decimals = i - point
            digits += decimals
        if digits > _DIGITS:
            whole, decimals = _long_number(text, first, i)
        amount = sign * (whole / _POWERS[decimals])
        if digits == 0 and i > at:  # a sign or a point and nothing behind it
            words[BAD] = 1
            rest = False
        elif digits == 0:
            rest = _bare(letter, following, value, words, g_words)
        else:
            if letter in (G_WORD, M_WORD, N_WORD, T_WORD):
                rest = _word(letter, amount, state, counts, firsts, value, words, g_words, m_words, line)
            else:  # the many others here, which spares a call
                rest = False
                value[letter] = amount
                if words[GIVEN] & (1 << letter) and (words[GS] > 0 or words[MS] == 0):
                    words[BAD] = 1  # the same word twice
                words[GIVEN] |= 1 << letter
            if i < end and (text[i] == 46 or text[i] == 45 or text[i] == 43) and words[MS] == 0:
                words[BAD] = 1  # two numbers in one
        if rest:
            i = _text_end(text, i, end)
    return i


@bare
def _count_line(state, counts, firsts, value, words, m_words, line):
    """Line numbers must follow one another; a word of its own sets them."""
    if value[N_WORD] < 0.0:
        return
    number = value[N_WORD]
    set_anew = words[MS] > 0 and m_words[0] == SET_LINE_NUMBER
    if not set_anew and state[NEXT_N] >= 0.0 and number != state[NEXT_N]:
        tally(counts, firsts, JUMP, line, number)
    state[NEXT_N] = number + 1.0


@bare_kernel
def interpret(text, end, state, counts, firsts, codes, scratch, out):
    """Run the whole lines of ``text[:end]`` (uint8) until they or the room in ``out`` are used up.

    ``end`` must lie behind a line's end, or at the program's. ``out`` (n, COLUMNS) float64, n > ROOM, takes
    the moves: each starts where the one before ended. ``scratch``: see ``machine.fresh_scratch``. Returns
    (bytes used, moves written).
    """
    value, target, words, g_words, m_words = scratch
    n = i = 0
    most = len(out) - ROOM
    while i < end and n <= most:
        state[LINE] += 1.0
        line = state[LINE]
        begin = i
        if line == 1.0 and i + 2 < end and text[i] == 239 and text[i + 1] == 187 and text[i + 2] == 191:
            i += 3  # the mark of UTF-8
        i = _read_line(text, i, end, state, counts, firsts, value, words, g_words, m_words, line)
        # the line's end: \n, \r or \r\n
        if i + 1 < end and text[i] == 13 and text[i + 1] == 10:
            i += 1
        i += 1
        if words[NUMBERED]:
            _count_line(state, counts, firsts, value, words, m_words, line)
        if words[IS_TEXT]:
            tally(counts, firsts, TEXT, line, begin)
        elif words[BAD]:
            tally(counts, firsts, GARBLED, line, begin)
        elif words[GS] > 0 or words[MS] > 0 or words[GIVEN] != 0:
            if state[ENDED] == 0.0:
                n = execute(
                    out, n, state, counts, firsts, codes, value, words, g_words, m_words, line, target
                )
            elif words[GS] > 0 or words[GIVEN] != 0:
                tally(counts, firsts, AFTER_END, line, 0.0)
    return min(i, end), n
