"""Edits of a triangle mesh, each made in many places at once: splits, collapses and flips.

A sheet's curves are its rim and its creases. They are kept: a split of a curve's edge gives two
edges of the curve, a point on a curve merges only along it, and a curve's edge is never flipped.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from evenwall.geometry.connectivity import (
    Bools,
    Edges,
    Floats,
    Index,
    among,
    cross,
    edge_keys,
    edges_of,
    expand,
    face_vectors,
    lengths,
    sizes,
    triangles_at,
)

MOST_ROUNDS = 60
FACES_ALIKE = 0.5  # cosine of the largest angle by which an edit may turn a triangle
LEAST_DEG = 15.0  # a flip must not make a thinner corner
ALONG = 1.1  # factor on the length limits of a curve's edges: two that merge are twice as long as
# one, and the points of a curve have no others beside them that could make room
FEW = 4  # triangles round an inner point, half as many at a point of a straight rim
FLAT = 0.9  # cosine of a curve's turn
OFF_CURVE = 0.15  # share of the shortest edge: how far a curve may move when a point is removed


@dataclass(frozen=True, eq=False)
class Sheet:
    """A surface being remeshed: points (n, 3), triangles (m, 3), creases (k, 2) pairs of points."""

    points: Floats
    triangles: Index
    creases: Index

    @property
    def count(self) -> int:
        return len(self.points)

    def edges(self) -> Edges:
        """Return the sheet's edges."""
        return edges_of(self.triangles, self.count)

    def on_curves(self, edges: Edges) -> Bools:
        """Whether each edge belongs to the rim or to a crease, (e,)."""
        marked = among(edges.keys, np.sort(edge_keys(self.creases, self.count)))
        return np.asarray(edges.boundary | marked)


@dataclass(frozen=True, eq=False)
class Ends:
    """The curves' edges at each point.

    degree  (n,)    their number
    beside  (n, 2)  the next points along the curve where there are two, else -1
    """

    degree: Index
    beside: Index

    @staticmethod
    def of(pairs: Index, count: int) -> Ends:
        """Collect the ends from the curves' edges (k, 2)."""
        owner, other = pairs.ravel(), pairs[:, ::-1].ravel()
        degree = np.bincount(owner, minlength=count)
        order = np.argsort(owner, kind="stable")
        start = np.cumsum(degree) - degree
        beside = np.full((count, 2), -1, dtype=np.int64)
        two = degree == 2
        beside[two] = other[order[start[two][:, None] + [0, 1]]]
        return Ends(degree, beside)

    def straightness(self, points: Floats) -> Floats:
        """Cosine of the curve's turn at each point, (n,): 1 straight on; -1 where it ends."""
        cosine = np.full(len(points), -1.0)
        two = np.flatnonzero(self.degree == 2)
        before = points[two] - points[self.beside[two, 0]]
        after = points[self.beside[two, 1]] - points[two]
        size = np.linalg.norm(before, axis=1) * np.linalg.norm(after, axis=1)
        cosine[two] = np.einsum("ij,ij->i", before, after) / np.maximum(size, 1e-300)
        return cosine


# --- Splits --------------------------------------------------------------------------------------


def split(sheet: Sheet, longest: float, rounds: int = 24) -> Sheet:
    """Halve every edge longer than `longest` (ALONG times `longest` on a curve), until none is left
    or the `rounds` are used up."""
    for _ in range(rounds):
        edges = sheet.edges()
        limit = np.where(sheet.on_curves(edges), ALONG * longest, longest)
        long = lengths(sheet.points, edges.pairs) > limit
        if not long.any():
            break
        sheet = _halved(sheet, edges, long)
    return sheet


def _halved(sheet: Sheet, edges: Edges, long: Bools) -> Sheet:
    middle = np.full(len(long), -1, dtype=np.int64)
    middle[long] = sheet.count + np.arange(long.sum())
    points = np.vstack([sheet.points, sheet.points[edges.pairs[long]].mean(axis=1)])
    t = sheet.triangles
    m = middle[edges.of_triangle]
    parts = (m >= 0).sum(axis=1)
    made = [t[parts == 0]]

    (a, b, c), (ma, _, _) = _turned(t, m, parts == 1, lambda m: m >= 0)
    made += [_columns(a, b, ma), _columns(a, ma, c)]

    (a, b, c), (_, mb, mc) = _turned(t, m, parts == 2, lambda m: m < 0)
    made.append(_columns(a, mc, mb))
    across = lengths(points, _columns(mc, c)) < lengths(points, _columns(mb, b))
    made += [
        np.where(across[:, None], _columns(mc, b, c), _columns(mc, b, mb)),
        np.where(across[:, None], _columns(mc, c, mb), _columns(b, c, mb)),
    ]

    (a, b, c), (ma, mb, mc) = t[parts == 3].T, m[parts == 3].T
    made += [_columns(a, mc, mb), _columns(mc, b, ma), _columns(mb, ma, c), _columns(ma, mb, mc)]

    at = np.searchsorted(edges.keys, edge_keys(sheet.creases, sheet.count))
    centre = middle[at] if len(at) else at
    cut = centre >= 0
    creases = np.vstack(
        [
            sheet.creases[~cut],
            _columns(sheet.creases[cut, 0], centre[cut]),
            _columns(centre[cut], sheet.creases[cut, 1]),
        ]
    )
    return Sheet(points, np.vstack(made), creases)


def _columns(*columns: Index) -> Index:
    return np.stack(columns, axis=1)


def _turned(
    t: Index, m: Index, rows: Bools, first: Callable[[Index], Bools]
) -> tuple[Index, Index]:
    """Return the corners and their edges' middles, (3, k) each, rotated so that `first` holds for
    corner 0."""
    t, m = t[rows], m[rows]
    turn = first(m).argmax(axis=1)
    places = (turn[:, None] + [0, 1, 2]) % 3
    rows_at = np.arange(len(t))[:, None]
    return t[rows_at, places].T, m[rows_at, places].T


# --- Collapses -----------------------------------------------------------------------------------


def collapse(sheet: Sheet, shortest: float, longest: float, crowded: float = 0.0) -> Sheet:
    """Merge the ends of edges shorter than `shortest`, the shortest first.

    Where an end has FEW triangles round it, which make a small cell, edges shorter than
    `crowded` are merged too. No merge makes an edge longer than `longest`, turns a triangle by
    more than the angle of cosine FACES_ALIKE, moves a curve away, or tears the sheet.
    """
    points, creases, t = sheet.points.copy(), sheet.creases, sheet.triangles
    refused, merged = np.zeros(0, dtype=np.int64), False
    for _ in range(MOST_ROUNDS):
        now = Sheet(points, t, creases)
        edges = now.edges()
        chosen = _mergeable(now, edges, (shortest, crowded), refused)
        if chosen is None:
            if not merged:
                break
            # Merges refused before may be possible now that their surroundings have changed.
            refused, merged = refused[:0], False
            continue
        kept, gone, places, keys, along = chosen
        reach = np.where(along, ALONG * longest, longest)
        sound = _may_merge(now, kept, gone, places, reach)
        refused = np.concatenate([refused, keys[~sound]])
        kept, gone = kept[sound], gone[sound]
        merged |= len(gone) > 0
        points[kept] = places[sound]
        into = np.arange(len(points))
        into[gone] = kept
        t = into[t]
        t = t[(t[:, 0] != t[:, 1]) & (t[:, 1] != t[:, 2]) & (t[:, 2] != t[:, 0])]
        creases = into[creases]
        creases = np.unique(np.sort(creases[creases[:, 0] != creases[:, 1]], axis=1), axis=0)
    return compact(points, t, creases)


def compact(points: Floats, triangles: Index, creases: Index) -> Sheet:
    """Return the sheet without the points that no triangle has."""
    used = np.zeros(len(points), dtype=bool)
    used[triangles.ravel()] = True
    place = np.cumsum(used) - 1
    creases = creases[used[creases].all(axis=1)]
    return Sheet(points[used], place[triangles], place[creases])


def _mergeable(
    sheet: Sheet, edges: Edges, below: tuple[float, float], refused: Index
) -> tuple[Index, Index, Floats, Index, Bools] | None:
    """Return edges to merge that do not affect each other: the point kept and the point removed,
    the place of the merged point, the edge's key, and whether the edge is a curve's.

    None when there is none left to try.
    """
    x = sheet.points
    curve = sheet.on_curves(edges)
    ends = Ends.of(edges.pairs[curve], sheet.count)
    rank = np.select([ends.degree == 0, ends.degree == 2], [0, 1], 2)[edges.pairs]
    length = lengths(x, edges.pairs)
    shortest, crowded = below
    straight = ends.straightness(x)
    around = np.bincount(sheet.triangles.ravel(), minlength=sheet.count)
    few = np.where(ends.degree == 0, around <= FEW, (around <= FEW // 2) & (straight > FLAT))
    limit = np.where(few[edges.pairs].any(axis=1), max(shortest, crowded), shortest)
    fit = (length < limit) & ~among(edges.keys, np.sort(refused))
    fit &= np.where(curve, rank.min(axis=1) == 1, rank.min(axis=1) == 0)
    if not fit.any():
        return None
    picked = np.flatnonzero(_apart(edges, fit, _priority(edges, length, fit), sheet.count))
    pairs, rank = edges.pairs[picked], rank[picked]
    straight = straight[pairs]
    # The end of higher rank keeps its place; of two on a curve, the one at the sharper turn.
    second = (rank[:, 1] > rank[:, 0]) | (
        (rank[:, 1] == rank[:, 0]) & (straight[:, 1] < straight[:, 0])
    )
    kept = np.where(second, pairs[:, 1], pairs[:, 0])
    gone = np.where(second, pairs[:, 0], pairs[:, 1])
    places = np.where((rank == 0).all(axis=1)[:, None], x[pairs].mean(axis=1), x[kept])
    # A curve keeps its place: a removed point must lie near the straight line that replaces it.
    along = curve[picked]
    other = np.where(ends.beside[gone, 0] == kept, ends.beside[gone, 1], ends.beside[gone, 0])
    off = _off_line(x[gone], x[kept], x[other])
    bent = along & (off > OFF_CURVE * shortest)
    places[bent] = np.nan  # refused by `_may_merge`
    return kept, gone, places, edges.keys[picked], along


def _priority(edges: Edges, length: Floats, fit: Bools) -> Index:
    """Return the order of merging, (e,): shorter edges first, those of similar length shuffled; -1
    for edges that are not `fit`.

    In the order of their numbers, edges would wait for each other in long rows. The shuffle is
    multiplicative hashing (Knuth, The Art of Computer Programming, volume 3, section 6.4).
    """
    which = np.flatnonzero(fit)
    alike = np.floor(2.0 * np.log2(np.maximum(length[which], 1e-300)))
    order = which[np.lexsort(((edges.keys[which] * 2654435761) % 2**32, alike))]
    priority = np.full(len(fit), -1)
    priority[order] = np.arange(len(order))
    return priority


def _off_line(points: Floats, start: Floats, end: Floats) -> Floats:
    along = end - start
    square = np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
    t = np.clip(np.einsum("ij,ij->i", points - start, along) / square, 0.0, 1.0)
    return np.asarray(np.linalg.norm(start + t[:, None] * along - points, axis=1))


def _apart(edges: Edges, fit: Bools, priority: Index, count: int) -> Bools:
    """Return whether each edge is suitable, and first in priority of all suitable edges within one
    step of its ends, (e,)."""
    last = len(priority)
    least = np.full(count, last)
    np.minimum.at(least, edges.pairs[fit].ravel(), np.repeat(priority[fit], 2))
    around = least.copy()
    np.minimum.at(around, edges.pairs[:, 0], least[edges.pairs[:, 1]])
    np.minimum.at(around, edges.pairs[:, 1], least[edges.pairs[:, 0]])
    one, other = edges.pairs.T
    return np.asarray((around[one] == priority) & (around[other] == priority))


def _may_merge(sheet: Sheet, kept: Index, gone: Index, places: Floats, longest: Floats) -> Bools:
    """Whether each merge leaves a sound sheet, (k,)."""
    x, t, k = sheet.points, sheet.triangles, len(kept)
    start, listed = triangles_at(t, sheet.count)
    bad = np.isnan(places).any(axis=1)
    both = [expand(start, listed, ends) for ends in (kept, gone)]
    # Link condition (Dey, Edelsbrunner, Guha and Nekhayev 1999): the number of points adjacent to
    # both ends equals the number of triangles on the edge.
    near = []
    for ends, (which, faces) in zip((kept, gone), both, strict=True):
        who, at = np.repeat(which, 3), t[faces].ravel()
        far = at != ends[who]
        near.append(np.unique(who[far] * sheet.count + at[far]))
    common = np.intersect1d(near[0], near[1], assume_unique=True) // sheet.count
    (which_k, faces_k), (which_g, faces_g) = both
    shared = np.intersect1d(
        which_k * len(t) + faces_k, which_g * len(t) + faces_g, assume_unique=True
    )
    on_edge = np.bincount(shared // len(t), minlength=k)
    bad |= np.bincount(common, minlength=k) != on_edge
    # The merged point would have fewer than two triangles.
    left = np.bincount(which_k, minlength=k) + np.bincount(which_g, minlength=k) - 2 * on_edge
    bad |= left < 2
    # A triangle should face as before or, where it was too small to have a direction, as the mean
    # of those at both ends.
    facing = np.zeros((k, 3))
    for which, faces in both:
        np.add.at(facing, which, face_vectors(x, t[faces]))
    facing /= np.maximum(sizes(facing), 1e-300)[:, None]
    for which, faces in both:
        stays = ~among(which * len(t) + faces, shared)
        which, faces = which[stays], faces[stays]
        corners = x[t[faces]]
        moved = (t[faces] == kept[which][:, None]) | (t[faces] == gone[which][:, None])
        after = np.where(moved[:, :, None], places[which][:, None, :], corners)
        old = cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        new = cross(after[:, 1] - after[:, 0], after[:, 2] - after[:, 0])
        size = sizes(new)
        as_before = np.einsum("ij,ij->i", old, new) >= FACES_ALIKE * size * sizes(old)
        as_all = np.einsum("ij,ij->i", facing[which], new) >= FACES_ALIKE * size
        turned = ~((as_before | as_all) & (size > 0.0))
        reach = sizes(after - places[which][:, None, :]).max(axis=1)
        np.logical_or.at(bad, which, turned | (reach > longest[which]))
    return np.asarray(~bad)


# --- Flips ---------------------------------------------------------------------------------------


def flip_to_valence(sheet: Sheet) -> Sheet:
    """Flip edges until the number of triangles at each point is nearest to one per sixty
    degrees."""

    def gain(now: Sheet, four: Index) -> Floats:
        spare = _spare(now)[four]
        after = spare + np.array([-1.0, -1.0, 1.0, 1.0])
        return np.asarray((spare**2 - after**2).sum(axis=1))

    return _flipped(sheet, gain, 0.5)


def flip_to_delaunay(sheet: Sheet) -> Sheet:
    """Flip edges whose two opposite angles add up to more than half a turn."""

    def gain(now: Sheet, four: Index) -> Floats:
        a, b, c, d = (now.points[four[:, k]] for k in range(4))
        return np.asarray(-(_cotangent(c, a, b) + _cotangent(d, a, b)))

    return _flipped(sheet, gain, 1e-6)


def _spare(sheet: Sheet) -> Floats:
    """Number of triangles at each point less the number that its angle has room for, (n,)."""
    corners = sheet.points[sheet.triangles]
    angle = np.zeros(sheet.count)
    for k in range(3):
        u = corners[:, (k + 1) % 3] - corners[:, k]
        v = corners[:, (k + 2) % 3] - corners[:, k]
        here = np.arctan2(sizes(cross(u, v)), np.einsum("ij,ij->i", u, v))
        angle += np.bincount(sheet.triangles[:, k], here, minlength=sheet.count)
    room = np.maximum(np.round(angle / (np.pi / 3.0)), 1.0)
    return np.asarray(np.bincount(sheet.triangles.ravel(), minlength=sheet.count) - room)


def _cotangent(at: Floats, a: Floats, b: Floats) -> Floats:
    u, v = a - at, b - at
    return np.asarray(np.einsum("ij,ij->i", u, v) / np.maximum(sizes(cross(u, v)), 1e-300))


def _flipped(sheet: Sheet, gain: Callable[[Sheet, Index], Floats], least: float) -> Sheet:
    t = sheet.triangles.copy()
    for _ in range(MOST_ROUNDS):
        now = Sheet(sheet.points, t, sheet.creases)
        edges = now.edges()
        inner = np.flatnonzero(~now.on_curves(edges))
        side = edges.sides[inner]
        # Corner c is opposite the edge in the first triangle, which runs a, b, c; d in the second.
        left, right = side[:, 0] // 3, side[:, 1] // 3
        c, d = t.ravel()[side[:, 0]], t.ravel()[side[:, 1]]
        a = t[left, (side[:, 0] + 1) % 3]
        b = t[left, (side[:, 0] + 2) % 3]
        four = _columns(a, b, c, d)
        gained = gain(now, four)
        fit = (gained > least) & ~among(edge_keys(four[:, 2:], now.count), edges.keys)
        fit[fit] = _may_flip(sheet.points, four[fit])
        if not fit.any():
            break
        four, gained, left, right = four[fit], gained[fit], left[fit], right[fit]
        order = np.lexsort((left, -gained))
        priority = np.empty(len(order), dtype=np.int64)
        priority[order] = np.arange(len(order))
        first = np.full(now.count, len(order))
        np.minimum.at(first, four.ravel(), np.repeat(priority, 4))
        go = (first[four] == priority[:, None]).all(axis=1)
        a, b, c, d = four[go].T
        t[left[go]] = _columns(c, d, b)
        t[right[go]] = _columns(d, c, a)
    return Sheet(sheet.points, t, sheet.creases)


def _may_flip(x: Floats, four: Index) -> Bools:
    """Return whether the two triangles after a flip face the same way as before and have no thin
    corner."""
    a, b, c, d = four.T
    old = [face_vectors(x, _columns(a, b, c)), face_vectors(x, _columns(b, a, d))]
    sound = np.ones(len(four), dtype=bool)
    facing = sum(o / np.maximum(np.linalg.norm(o, axis=1), 1e-300)[:, None] for o in old)
    facing = facing / np.maximum(np.linalg.norm(facing, axis=1), 1e-300)[:, None]
    for made in (_columns(c, d, b), _columns(d, c, a)):
        face = face_vectors(x, made)
        double_area = sizes(face)
        sides = np.sort(
            np.stack([lengths(x, made[:, [k, (k + 1) % 3]]) for k in range(3)], axis=1), axis=1
        )
        # The smallest angle lies between the two longer sides.
        thin = double_area < np.sin(np.radians(LEAST_DEG)) * sides[:, 1] * sides[:, 2]
        turned = np.einsum("ij,ij->i", face, facing) < FACES_ALIKE * double_area
        sound &= ~thin & ~turned
    return sound
