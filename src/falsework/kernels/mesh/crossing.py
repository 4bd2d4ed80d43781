"""Faces of a mesh that cross or cover one another, by a tree of boxes over the faces.

``vertices`` (n, 3) float64, ``faces`` (m, 3) int32, C-contiguous.
"""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import inner, kernel

LEAF = 4  # faces per leaf


@inner
def _spread(x):
    """The low 21 bits of ``x``, two zero bits put between each."""
    x &= np.uint64(0x1FFFFF)
    x = (x | (x << np.uint64(32))) & np.uint64(0x1F00000000FFFF)
    x = (x | (x << np.uint64(16))) & np.uint64(0x1F0000FF0000FF)
    x = (x | (x << np.uint64(8))) & np.uint64(0x100F00F00F00F00F)
    x = (x | (x << np.uint64(4))) & np.uint64(0x10C30C30C30C30C3)
    return (x | (x << np.uint64(2))) & np.uint64(0x1249249249249249)


@inner
def _morton_order(vertices, faces):
    """(m,) faces sorted along a space-filling curve through their middles (16 bits an axis). O(m)."""
    m = faces.shape[0]
    low, widest = np.empty(3), 1e-300
    for d in range(3):
        least, most = np.inf, -np.inf
        for v in range(vertices.shape[0]):
            least, most = min(least, vertices[v, d]), max(most, vertices[v, d])
        low[d], widest = least, max(widest, most - least)
    grain = 65535.0 / widest / 3.0
    code = np.empty(m, np.uint64)
    for f in range(m):
        c = np.uint64(0)
        for d in range(3):
            s = vertices[faces[f, 0], d] + vertices[faces[f, 1], d] + vertices[faces[f, 2], d]
            c |= _spread(np.uint64(max((s - 3.0 * low[d]) * grain, 0.0))) << np.uint64(d)
        code[f] = c
    order = np.arange(m).astype(np.int32)
    out = np.empty(m, np.int32)
    for turn in range(3):  # radix, 16 bits at a time
        shift = np.uint64(16 * turn)
        start = np.zeros(65537, np.int64)
        for f in range(m):
            start[int((code[f] >> shift) & np.uint64(0xFFFF)) + 1] += 1
        for b in range(65536):
            start[b + 1] += start[b]
        for i in range(m):
            b = int((code[order[i]] >> shift) & np.uint64(0xFFFF))
            out[start[b]] = order[i]
            start[b] += 1
        order, out = out, order
    return order


@inner
def _coplanar_overlap(p, q, n, tol):
    """Whether two triangles in one plane of normal ``n`` overlap by more than ``tol`` (separating axes)."""
    for which in range(2):
        t = p if which == 0 else q
        for k in range(3):
            e = (k + 1) % 3
            dx, dy, dz = t[e, 0] - t[k, 0], t[e, 1] - t[k, 1], t[e, 2] - t[k, 2]
            ax, ay, az = n[1] * dz - n[2] * dy, n[2] * dx - n[0] * dz, n[0] * dy - n[1] * dx
            size = np.sqrt(ax * ax + ay * ay + az * az)
            if size == 0.0:
                return False
            p0 = q0 = np.inf
            p1 = q1 = -np.inf
            for i in range(3):
                a = (ax * p[i, 0] + ay * p[i, 1] + az * p[i, 2]) / size
                b = (ax * q[i, 0] + ay * q[i, 1] + az * q[i, 2]) / size
                p0, p1, q0, q1 = min(p0, a), max(p1, a), min(q0, b), max(q1, b)
            if min(p1, q1) - max(p0, q0) <= tol:
                return False
    return True


@inner
def _normal(t, n):
    """Unit normal of the triangle into ``n``; False when it has none."""
    ux, uy, uz = t[1, 0] - t[0, 0], t[1, 1] - t[0, 1], t[1, 2] - t[0, 2]
    vx, vy, vz = t[2, 0] - t[0, 0], t[2, 1] - t[0, 1], t[2, 2] - t[0, 2]
    x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    size = np.sqrt(x * x + y * y + z * z)
    longest = max(ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz)
    if size <= 1e-12 * longest or size == 0.0:
        return False
    n[0], n[1], n[2] = x / size, y / size, z / size
    return True


@inner
def _heights(t, n, o, tol, d):
    """Signed heights of ``t`` over the plane (o, n) into ``d``, small ones made 0; (any below, any above)."""
    below = above = False
    for i in range(3):
        h = n[0] * (t[i, 0] - o[0]) + n[1] * (t[i, 1] - o[1]) + n[2] * (t[i, 2] - o[2])
        if abs(h) <= tol:
            h = 0.0
        d[i] = h
        below |= h < 0.0
        above |= h > 0.0
    return below, above


@inner
def _stretch(t, d, axis):
    """Where the triangle's plane section runs along ``axis``: (low, high)."""
    low, high = np.inf, -np.inf
    for i in range(3):
        j = (i + 1) % 3
        a = t[i, 0] * axis[0] + t[i, 1] * axis[1] + t[i, 2] * axis[2]
        if d[i] == 0.0:
            low, high = min(low, a), max(high, a)
        if (d[i] < 0.0 < d[j]) or (d[j] < 0.0 < d[i]):
            b = t[j, 0] * axis[0] + t[j, 1] * axis[1] + t[j, 2] * axis[2]
            x = a + (b - a) * d[i] / (d[i] - d[j])
            low, high = min(low, x), max(high, x)
    return low, high


@inner
def _cross(p, q, tol, n, w, d, e, axis):
    """Whether two triangles cross by more than ``tol``, or cover each other in one plane.

    Touching (a vertex or an edge on the other's plane, all else on one side) is not crossing.
    After Möller, A fast triangle-triangle intersection test, J. Graphics Tools 2 (1997).
    """
    if not _normal(p, n):
        return False
    below, above = _heights(q, n, p[0], tol, e)
    if not below and not above:
        return _coplanar_overlap(p, q, n, tol)
    if not (below and above):
        return False
    if not _normal(q, w):
        return False
    below, above = _heights(p, w, q[0], tol, d)
    if not (below and above):
        return False
    axis[0], axis[1], axis[2] = (
        n[1] * w[2] - n[2] * w[1],
        n[2] * w[0] - n[0] * w[2],
        n[0] * w[1] - n[1] * w[0],
    )
    size = np.sqrt(axis[0] ** 2 + axis[1] ** 2 + axis[2] ** 2)
    if size < 1e-12:
        return False
    axis[0] /= size
    axis[1] /= size
    axis[2] /= size
    a0, a1 = _stretch(p, d, axis)
    b0, b1 = _stretch(q, e, axis)
    return min(a1, b1) - max(a0, b0) > tol


@inner
def _load(vertices, faces, f, t):
    for i in range(3):
        v = faces[f, i]
        t[i, 0], t[i, 1], t[i, 2] = vertices[v, 0], vertices[v, 1], vertices[v, 2]


@kernel
def crossing_faces(vertices, faces, tol, budget):
    """Faces that cross or cover another face: (flags (m,) uint8, complete), as ``crossing_share`` of all."""
    if faces.shape[0] < 2:
        return np.zeros(faces.shape[0], np.uint8), True
    order, ordered, boxes, tree = boxes_of_faces(vertices, faces)
    return crossing_share(vertices, order, ordered, boxes, tree, 0, 1, tol, budget)


@kernel
def boxes_of_faces(vertices, faces):
    """A tree of boxes over faces: order (m,), faces in it (m, 3), their boxes (m, 6), nodes (2 leaves, 6).

    Boxes are lowest corner, then highest. Node 1 is the root, node k has 2k and 2k + 1 beneath it, and the
    last half are leaves of ``LEAF`` faces each. O(m); memory about 100 bytes a face.
    """
    m = faces.shape[0]
    order = _morton_order(vertices, faces)
    boxes = np.empty((m, 6))
    ordered = np.empty((m, 3), np.int32)
    for i in range(m):
        f = order[i]
        for k in range(3):
            ordered[i, k] = faces[f, k]
        for d in range(3):
            a, b, c = vertices[faces[f, 0], d], vertices[faces[f, 1], d], vertices[faces[f, 2], d]
            boxes[i, d], boxes[i, d + 3] = min(a, b, c), max(a, b, c)
    leaves = 1
    while leaves * LEAF < m:
        leaves *= 2
    tree = np.empty((2 * leaves, 6))
    tree[:, :3] = np.inf
    tree[:, 3:] = -np.inf
    for i in range(m):
        node = leaves + i // LEAF
        for d in range(3):
            tree[node, d] = min(tree[node, d], boxes[i, d])
            tree[node, d + 3] = max(tree[node, d + 3], boxes[i, d + 3])
    for node in range(leaves - 1, 0, -1):
        for d in range(3):
            tree[node, d] = min(tree[2 * node, d], tree[2 * node + 1, d])
            tree[node, d + 3] = max(tree[2 * node, d + 3], tree[2 * node + 1, d + 3])

    return order, ordered, boxes, tree


@kernel
def crossing_share(vertices, order, ordered, boxes, tree, first_leaf, every, tol, budget):
    """Faces that cross or cover another face, of the pairs that begin in every so many leaves from the first.

    Faces that share a corner or an edge meet there without crossing; they count only where they
    meet elsewhere too, or are folded onto each other.

    The tree is that of ``boxes_of_faces``. ``tol`` is the depth (a length) below which contact counts as
    touching; ``budget`` the number of face pairs that may be tested. Returns (flags (m,) uint8, complete):
    when the budget runs out the flags are a lower bound and ``complete`` is False. Two faces that are both
    flagged already are not tested again. Expected O(m log m); no lists of pairs.
    """
    m, leaves = ordered.shape[0], tree.shape[0] // 2
    flags = np.zeros(m, np.uint8)
    p, q = np.empty((3, 3)), np.empty((3, 3))
    n, w, d_, e_, axis = np.empty(3), np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    stack = np.empty(128, np.int64)
    spent = 0
    for leaf in range(first_leaf, leaves, every):
        begin = leaf * LEAF
        if begin >= m:
            break
        end = min(begin + LEAF, m)
        own = leaves + leaf
        x0, y0, z0, x1, y1, z1 = tree[own]
        # Up from the own leaf, every subtree to the right: so each pair of leaves meets once.
        top = 0
        stack[top] = own
        top += 1
        node = own
        while node > 1:
            if node % 2 == 0:
                stack[top] = node + 1
                top += 1
            node //= 2
        while top > 0:
            top -= 1
            node = stack[top]
            if (
                tree[node, 0] > x1
                or tree[node, 3] < x0
                or tree[node, 1] > y1
                or tree[node, 4] < y0
                or tree[node, 2] > z1
                or tree[node, 5] < z0
            ):
                continue
            if node < leaves:
                stack[top] = 2 * node
                stack[top + 1] = 2 * node + 1
                top += 2
                continue
            first = (node - leaves) * LEAF
            last = min(first + LEAF, m)
            for i in range(begin, end):
                loaded = False
                for j in range(i + 1 if node == own else first, last):
                    if (
                        boxes[i, 0] > boxes[j, 3]
                        or boxes[j, 0] > boxes[i, 3]
                        or boxes[i, 1] > boxes[j, 4]
                        or boxes[j, 1] > boxes[i, 4]
                        or boxes[i, 2] > boxes[j, 5]
                        or boxes[j, 2] > boxes[i, 5]
                    ):
                        continue
                    if flags[order[i]] and flags[order[j]]:
                        continue
                    spent += 1
                    if spent > budget:
                        return flags, False
                    if not loaded:
                        _load(vertices, ordered, i, p)
                        loaded = True
                    _load(vertices, ordered, j, q)
                    if _cross(p, q, tol, n, w, d_, e_, axis):
                        flags[order[i]] = 1
                        flags[order[j]] = 1
    return flags, True
