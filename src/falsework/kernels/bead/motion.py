"""How long a head takes along polylines: trapezoidal speed profiles with limited speed in corners.

The head speeds up and slows down by one ``acceleration``, never passes the path's own ``speed``, and rests at
both ends of every path; a closed path starts and ends at its first point. In a corner where the path turns by
the angle t (0 straight on, 180° back) it may keep

    corner_speed · sqrt(cot(t / 2))

This is the speed at which it can round the corner on an arc that leaves the path at a fixed distance from
the corner, without more sideways acceleration than ``acceleration``: no limit straight on, ``corner_speed``
at 90°, rest at reversal. Bits shorter than twice that distance, 2 · corner_speed² / acceleration, are given
the full arc all the same, so very finely divided tight curves come out too fast, never too slow.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.compiled import bare_kernel, inner, kernel

_STRAIGHT = 1e-9  # sine of a turn that counts as none, above the rounding of coordinates in float64


@kernel
def path_times(points, path_start, closed, speed, acceleration, corner_speed):
    """Seconds for each of R paths.

    Parameters: points (P, 2) float64; path_start (R + 1,) int64, path r has the points
    path_start[r]:path_start[r + 1]; closed bool, whether each path returns to its first point (not repeated);
    speed (R,) float64 > 0; acceleration float > 0; corner_speed float ≥ 0. Returns (R,) float64.
    Doubled points are passed over; a path without length takes 0. O(P) time, O(longest path) memory.
    """
    paths = len(path_start) - 1
    longest = 0
    for r in range(paths):
        longest = max(longest, path_start[r + 1] - path_start[r])
    length = np.empty(longest)
    enter = np.empty(longest + 1)  # speed² at the start of each segment, then at the end of the last
    seconds = np.zeros(paths)
    for r in range(paths):
        first, last = path_start[r], path_start[r + 1]
        top = speed[r] * speed[r]
        n = 0  # segments that have length
        before_x = before_y = 0.0
        for i in range(first, last if closed else last - 1):
            j = i + 1 if i + 1 < last else first
            dx = points[j, 0] - points[i, 0]
            dy = points[j, 1] - points[i, 1]
            long = np.hypot(dx, dy)
            if long == 0.0:
                continue
            dx /= long
            dy /= long
            if n > 0:
                cosine = before_x * dx + before_y * dy
                sine = abs(before_x * dy - before_y * dx)
                if sine > _STRAIGHT:
                    corner = corner_speed * corner_speed * max(0.0, 1.0 + cosine) / sine  # cot(t / 2)
                    enter[n] = min(top, corner)
                else:
                    enter[n] = top if cosine > 0.0 else 0.0
            length[n] = long
            before_x, before_y = dx, dy
            n += 1
        if n == 0:
            continue
        enter[0] = 0.0
        enter[n] = 0.0
        for k in range(n):  # no faster than it can get from the corner before
            enter[k + 1] = min(enter[k + 1], enter[k] + 2.0 * acceleration * length[k])
        for k in range(n - 1, -1, -1):  # no faster than it can slow down to the corner after
            enter[k] = min(enter[k], enter[k + 1] + 2.0 * acceleration * length[k])
        total = 0.0
        for k in range(n):
            here, there = enter[k], enter[k + 1]
            peak = 0.5 * (here + there) + acceleration * length[k]
            ends = np.sqrt(here) + np.sqrt(there)
            if peak <= top:
                total += (2.0 * np.sqrt(peak) - ends) / acceleration
            else:
                total += (2.0 * speed[r] - ends) / acceleration
                total += (peak - top) / (acceleration * speed[r])  # the rest of the length at full speed
        seconds[r] = total
    return seconds


def rest_to_rest_times(
    length: NDArray[np.float64], speed: NDArray[np.float64] | float, acceleration: float
) -> NDArray[np.float64]:
    """Seconds for separate straight moves, each from rest to rest; O(N).

    length (N,) ≥ 0; speed (N,) or one number > 0; acceleration > 0.
    """
    ramps = speed * speed / acceleration  # length taken by speeding up to full speed and slowing down again
    times: NDArray[np.float64] = np.where(
        length < ramps,
        2.0 * np.sqrt(np.minimum(length, ramps) / acceleration),
        length / speed + speed / acceleration,
    )
    return times


@kernel
def move_times(start, target, fed, speed, acceleration, corner_speed):
    """Seconds of each of N moves in space, made one after the other from rest to rest.

    start (3,), target (N, 3) where each move ends, fed (N,) mm of filament fed, speed (N,) mm/s,
    acceleration (N,) mm/s². A move without way in space takes as long as its feeding, from rest to rest; one
    without either, or without speed, takes none. Corners as in ``path_times``. O(N).
    """
    n = len(target)
    length = np.zeros(n)
    enter = np.zeros(n + 1)  # speed² at the start of each move, then at the end of the last
    seconds = np.zeros(n)
    x, y, z = start[0], start[1], start[2]
    before_x = before_y = before_z = 0.0
    before = 0.0  # speed of the move before; 0 where the head rests
    for k in range(n):
        dx, dy, dz = target[k, 0] - x, target[k, 1] - y, target[k, 2] - z
        x, y, z = target[k, 0], target[k, 1], target[k, 2]
        long = np.sqrt(dx * dx + dy * dy + dz * dz)
        if long == 0.0:
            if fed[k] != 0.0:
                length[k] = -abs(fed[k])  # apart from the path: the head rests
                before = 0.0
            continue
        length[k] = long
        dx, dy, dz = dx / long, dy / long, dz / long
        if before > 0.0:
            top = min(before, speed[k])
            cosine = before_x * dx + before_y * dy + before_z * dz
            sine = np.sqrt(max(0.0, 1.0 - cosine * cosine))
            if sine > 1e-7:
                corner = corner_speed * corner_speed * max(0.0, 1.0 + cosine) / sine
                enter[k] = min(top * top, corner)
            else:
                enter[k] = top * top if cosine > 0.0 else 0.0
        before_x, before_y, before_z = dx, dy, dz
        before = speed[k]
    for k in range(n):
        if length[k] > 0.0:
            enter[k + 1] = min(enter[k + 1], enter[k] + 2.0 * acceleration[k] * length[k])
    for k in range(n - 1, -1, -1):
        if length[k] > 0.0:
            enter[k] = min(enter[k], enter[k + 1] + 2.0 * acceleration[k] * length[k])
    for k in range(n):
        if length[k] == 0.0 or speed[k] <= 0.0:
            continue
        here, there, long = enter[k], enter[k + 1], length[k]
        if long < 0.0:
            here = there = 0.0
            long = -long
        top = speed[k] * speed[k]
        peak = 0.5 * (here + there) + acceleration[k] * long
        ends = np.sqrt(here) + np.sqrt(there)
        if peak <= top:
            seconds[k] = (2.0 * np.sqrt(peak) - ends) / acceleration[k]
        else:
            seconds[k] = (2.0 * speed[k] - ends) / acceleration[k]
            seconds[k] += (peak - top) / (acceleration[k] * speed[k])
    return seconds


@kernel
def round_times(ends, start, speed, acceleration, corner_speed, travel_speed, back_s, near):
    """Seconds of each of G groups of strands, each laid in a round that goes on to the nearest free end.

    ends (E, 4) x0, y0, x1, y1; start (G + 1,) int64: group g has the strands start[g]:start[g + 1], begun
    with the first of them; speed (G,). Strands that go on from the end of the last are laid without a stop,
    as in ``path_times``; to others the head travels from rest to rest, and where that is farther than
    ``near`` it draws the filament back, which takes ``back_s``. O(E² / G) in groups of a size.
    """
    groups = len(start) - 1
    most = 1
    for g in range(groups):
        most = max(most, start[g + 1] - start[g])
    length, enter = np.empty(most), np.empty(most + 1)
    free = np.empty(most, np.int64)
    seconds = np.zeros(groups)
    for g in range(groups):
        left = start[g + 1] - start[g]
        for k in range(left):
            free[k] = start[g] + k
        top = speed[g] * speed[g]
        x, y = ends[start[g], 0], ends[start[g], 1]
        n = 0  # strands of the path in hand
        along_x = along_y = 0.0
        fresh = True
        while left:
            best, at, turned = np.inf, 0, False
            for k in range(left):
                row = ends[free[k]]
                here = (row[0] - x) ** 2 + (row[1] - y) ** 2
                there = (row[2] - x) ** 2 + (row[3] - y) ** 2
                if here < best:
                    best, at, turned = here, k, False
                if there < best:
                    best, at, turned = there, k, True
            row = ends[free[at]]
            left -= 1
            free[at] = free[left]
            ax, ay, bx, by = row[0], row[1], row[2], row[3]
            if turned:
                ax, ay, bx, by = bx, by, ax, ay
            dx, dy = bx - ax, by - ay
            long = np.hypot(dx, dy)
            x, y = bx, by
            if long == 0.0:
                continue
            dx, dy = dx / long, dy / long
            if best < 1e-12 and n > 0:
                cosine, sine = along_x * dx + along_y * dy, abs(along_x * dy - along_y * dx)
                if sine > _STRAIGHT:
                    enter[n] = min(top, corner_speed * corner_speed * max(0.0, 1.0 + cosine) / sine)
                else:
                    enter[n] = top if cosine > 0.0 else 0.0
            else:
                seconds[g] += _path_s(length, enter, n, speed[g], acceleration)
                if not fresh:
                    hop = np.sqrt(best)
                    ramps = travel_speed * travel_speed / acceleration
                    if hop < ramps:
                        seconds[g] += 2.0 * np.sqrt(hop / acceleration)
                    else:
                        seconds[g] += hop / travel_speed + travel_speed / acceleration
                    if hop > near:
                        seconds[g] += back_s
                n = 0
                enter[0] = 0.0
            fresh = False
            length[n] = long
            along_x, along_y = dx, dy
            n += 1
        seconds[g] += _path_s(length, enter, n, speed[g], acceleration)
    return seconds


@inner
def _path_s(length, enter, n, speed, acceleration):
    """Seconds of a path of n pieces from rest to rest; ``enter`` holds the most speed² into each."""
    if n == 0:
        return 0.0
    enter[n] = 0.0
    for k in range(n):
        enter[k + 1] = min(enter[k + 1], enter[k] + 2.0 * acceleration * length[k])
    for k in range(n - 1, -1, -1):
        enter[k] = min(enter[k], enter[k + 1] + 2.0 * acceleration * length[k])
    total, top = 0.0, speed * speed
    for k in range(n):
        here, there = enter[k], enter[k + 1]
        peak = 0.5 * (here + there) + acceleration * length[k]
        slow = np.sqrt(here) + np.sqrt(there)
        if peak <= top:
            total += (2.0 * np.sqrt(peak) - slow) / acceleration
        else:
            total += (2.0 * speed - slow) / acceleration + (peak - top) / (acceleration * speed)
    return total


@bare_kernel
def fed_along(start, target, fed, pushed, sums):
    """Add to ``sums``: mm of way along which filament is fed, and how much of it nothing comes out of.

    start (3,), target (N, ≥ 2), fed (N,) mm of filament, pushed (N,) mm³ that leave the nozzle. Returns the
    first of the latter moves, or −1. O(N).
    """
    x, y = start[0], start[1]
    first = -1
    for k in range(len(target)):
        dx, dy = target[k, 0] - x, target[k, 1] - y
        x, y = target[k, 0], target[k, 1]
        if fed[k] <= 0.0 or (dx == 0.0 and dy == 0.0):
            continue
        long = np.sqrt(dx * dx + dy * dy)
        sums[0] += long
        if pushed[k] <= 0.0:
            sums[1] += long
            if first < 0:
                first = k
    return first
