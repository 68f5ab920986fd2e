"""Ways that atoms can go all at once, or one after another, without coming too close to each other.

A journey is a list of stations: at each step every atom goes straight from one of its stations to the next, all of them with the same
progress in time. The closest approach of two atoms in a step then has a closed form, whatever that progress is.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from holo.arrays import kernel
from holo.checks import check_finite, check_numbers
from holo.errors import InputError, RearrangementError
from holo.registration import closest_pair

Real = NDArray[np.float64]
Index = NDArray[np.int64]
Flags = NDArray[np.bool_]

TOGETHER, EARLIER, LATER = 1, 2, 4
"""What a pair of atoms may do: move in the same step, the first one before the second, or after it."""

ROUNDING = 1e-9
"""Share of the least distance by which rounding may fall short of it."""

NEIGHBOURS = 60
"""Corners of the road map nearest to an atom that its detour may begin or end at."""


@dataclass(frozen=True)
class Approach:
    """How close two atoms come.

    Attributes
    ----------
    distance_um : float
        Infinite where there are fewer than two atoms.
    first, second : int
        The two atoms; -1 where there are none.
    """

    distance_um: float
    first: int
    second: int


def closest_approach(stations_um: Real) -> Approach:
    """Find the two atoms that come closest to each other on the way.

    Parameters
    ----------
    stations_um : ndarray, shape (steps + 1, n, 3)

    Returns
    -------
    Approach

    Notes
    -----
    In a step the distance vector of two atoms runs along a straight line, ``r + s (q - r)``, and is shortest at
    ``s = -r.(q - r) / |q - r|^2``, limited to 0 to 1.

    Examples
    --------
    >>> crossing = np.array([[[0, 0, 0], [0, 4, 0]], [[4, 4, 0], [4, 0, 0]]], float)
    >>> closest_approach(crossing).distance_um
    0.0
    """
    check_finite("stations_um", stations_um)
    stations = np.asarray(stations_um, np.float64)
    found = [_closest(np.ascontiguousarray(here), np.ascontiguousarray(there)) for here, there in pairwise(stations)]
    if not found:
        found = [_closest(stations[0], stations[0])]
    square, first, second = min(found)
    return Approach(float(np.sqrt(square)), int(first), int(second))


def journey(start_um: Real, end_um: Real, apart_um: float) -> Real:
    """Bring atoms from start to end, never closer to each other than a given distance.

    Parameters
    ----------
    start_um, end_um : ndarray, shape (n, 3)
        Atoms with the same start and end are obstacles.
    apart_um : float
        Least distance of any two atoms at any time, um.

    Returns
    -------
    ndarray, shape (steps + 1, n, 3)
        Stations, those of the start first; see the top of this module.

    Raises
    ------
    InputError
        If two atoms are closer than `apart_um` at the start or in the end.
    RearrangementError
        If no way was found.

    Notes
    -----
    All go at once where that keeps them apart. Where the ends were chosen for the least sum of squared distances, it does down to the
    least distance at the start or in the end over the root of 2: exchanging the ends of two atoms would not lower the sum, so
    ``(a_i - a_j).(b_i - b_j) >= 0``, and ``|(1 - s)(a_i - a_j) + s (b_i - b_j)|^2 >= ((1 - s)^2 + s^2) d^2 >= d^2 / 2`` (cyclic
    monotonicity of optimal transport; R. T. Rockafellar, Pacific J. Math. 17, 497 (1966); from memory).

    Else each pair that would come too close is let move at different times where one of the two orders keeps it apart, and steps are
    given out in an order that respects all pairs. Atoms for which there is none go last, one by one, along the lines that lie midway
    between the others (the Voronoi diagram: if there is a way with a given clearance there is one along it; C. O'Dunlaing and C. K. Yap,
    J. Algorithms 6, 104 (1985); from memory), pulled taut.

    Examples
    --------
    >>> atoms = np.array([[0, 0, 0], [0, 4, 0]], float)
    >>> journey(atoms, atoms[::-1] + [4, 0, 0], 1.5).shape  # they would meet in the middle, so one goes first
    (3, 2, 3)
    """
    check_numbers(start_um=start_um, end_um=end_um, apart_um=apart_um)
    start, end = np.ascontiguousarray(start_um, np.float64), np.ascontiguousarray(end_um, np.float64)
    for name, places in (("start", start), ("end", end)):
        first, second, distance = closest_pair(places) if len(places) > 1 else (-1, -1, np.inf)
        if distance < apart_um * (1 - ROUNDING):
            found = f"{name}_um: found atoms {first} and {second} {distance:.4g} um apart"
            raise InputError(f"{found}; allowed: {apart_um:g} um or more")
    together = np.stack([start, end])
    if closest_approach(together).distance_um >= apart_um * (1 - ROUNDING):
        return together
    return _staggered(start, end, apart_um * (1 - ROUNDING))


def _staggered(start: Real, end: Real, apart: float) -> Real:
    """Stations in several steps; atoms without a step of their own make detours in the end."""
    late = np.zeros(len(start), bool)
    while True:
        halt = np.where(late[:, None], start, end)
        step, stuck = _steps(start, halt, apart)
        if not stuck.any():
            break
        late |= stuck
    stations = [start]
    for number in np.unique(step[(start != halt).any(axis=1)]):
        stations.append(np.where((step == number)[:, None], halt, stations[-1]))
    return np.stack([*stations, *_detours(stations[-1], end, late, apart)])


def _steps(start: Real, end: Real, apart: float) -> tuple[Index, Flags]:
    """Step of each atom, and which have none that suits the others."""
    count = len(start)
    first, second, allowed = _clashes(start, end, apart * apart)
    moving, length = (start != end).any(axis=1), np.linalg.norm(end - start, axis=1)
    stuck = np.zeros(count, bool)
    hopeless = allowed == 0
    longer = np.where(length[first] >= length[second], first, second)
    stuck[longer[hopeless]] = True
    never = hopeless | ~(moving[first] & moving[second])
    first, second, allowed = first[~never], second[~never], allowed[~never]
    group, inside = _groups(count, first, second, allowed)
    stuck[np.isin(group, group[first[inside & (allowed & TOGETHER == 0)]])] = True
    return _layers(group, first[~inside], second[~inside], allowed[~inside])[group], stuck


def _groups(count: int, first: Index, second: Index, allowed: Index) -> tuple[Index, Flags]:
    """Groups of atoms that must share a step, and which pairs lie within one."""
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import connected_components

    forth, back = allowed & LATER == 0, allowed & EARLIER == 0  # the first one must not come after the second, and vice versa
    before = np.concatenate([first[forth], second[back]])
    after = np.concatenate([second[forth], first[back]])
    edges = csr_array((np.ones(len(before)), (before, after)), shape=(count, count))
    group = connected_components(edges, directed=True, connection="strong")[1].astype(np.int64)
    return group, group[first] == group[second]


def _layers(group: Index, first: Index, second: Index, allowed: Index) -> Index:
    """The earliest step of each group that respects the order of all pairs."""
    count = int(group.max()) + 1
    before: list[list[tuple[int, int]]] = [[] for _ in range(count)]
    apart: list[list[int]] = [[] for _ in range(count)]
    waits = np.zeros(count, np.int64)
    follows: list[list[int]] = [[] for _ in range(count)]
    for one, other, may in zip(group[first].tolist(), group[second].tolist(), allowed.tolist(), strict=True):
        strict = int(not may & TOGETHER)
        if may & EARLIER and may & LATER:
            apart[one].append(other)
            apart[other].append(one)
            continue
        early, late = (one, other) if may & EARLIER else (other, one)
        before[late].append((early, strict))
        follows[early].append(late)
        waits[late] += 1
    layer, ready = np.full(count, -1), [number for number in range(count) if waits[number] == 0]
    while ready:
        now = ready.pop()
        taken = {int(layer[other]) for other in apart[now]}
        step = max((int(layer[early]) + strict for early, strict in before[now]), default=0)
        while step in taken:
            step += 1
        layer[now] = step
        for later in follows[now]:
            waits[later] -= 1
            if waits[later] == 0:
                ready.append(later)
    return layer


def _detours(places: Real, end: Real, late: Flags, apart: float) -> list[Real]:
    """Stations of the atoms that are left, one after another around all others."""
    stations, left = [places], np.flatnonzero(late).tolist()
    while left:
        waiting = []
        for atom in left:
            way = _detour(stations[-1][atom], end[atom], np.delete(stations[-1], atom, axis=0), apart)
            if way is None:
                waiting.append(atom)
            for corner in way or ():
                stations.append(stations[-1].copy())
                stations[-1][atom] = corner
        if len(waiting) == len(left):
            x, y, z = places[left[0]]
            raise RearrangementError(
                f"found no way for {len(left)} of {len(places)} atoms, the first at ({x:.4g}, {y:.4g}, {z:.4g}) um, that keeps them "
                f"{apart:.4g} um apart; ask for a smaller distance, or for the cost squared"
            )
        left = waiting
    return stations[1:]


def _detour(start: Real, end: Real, others: Real, apart: float) -> list[Real] | None:
    """Corners of a way around the others, the end last; None if there is none in the plane."""
    if _clear(start, end, others, apart):
        return [end]
    if start[2] != end[2]:
        return None
    around = others[np.abs(others[:, 2] - start[2]) < apart]
    corners = _road(start, end, around, apart)
    return None if corners is None else _taut([start, *corners, end], around, apart)


def _road(start: Real, end: Real, others: Real, apart: float) -> list[Real] | None:
    """Corners of the shortest way along the lines midway between the others."""
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import dijkstra
    from scipy.spatial import KDTree, Voronoi

    plane = np.concatenate([others[:, :2], [start[:2], end[:2]]])
    low, high = plane.min(axis=0) - 4 * apart, plane.max(axis=0) + 4 * apart
    side = np.linspace(0, 1, 40)[:, None] * (high - low) + low
    frame = np.concatenate([np.column_stack([side[:, 0], np.full(40, edge)]) for edge in (low[1], high[1])])
    frame = np.concatenate([frame, *(np.column_stack([np.full(38, edge), side[1:-1, 1]]) for edge in (low[0], high[0]))])
    drawn = Voronoi(np.concatenate([others[:, :2], frame]))
    corners = np.column_stack([drawn.vertices, np.full(len(drawn.vertices), start[2])])
    bounded = [number for number, ridge in enumerate(drawn.ridge_vertices) if min(ridge) >= 0]
    ridges = np.array([drawn.ridge_vertices[number] for number in bounded], np.int64).reshape(-1, 2)
    midway = np.column_stack([drawn.points[drawn.ridge_points[bounded, 0]], np.full(len(bounded), start[2])])
    open_ = _point_to_line(midway, corners[ridges[:, 0]], corners[ridges[:, 1]]) >= apart
    links = [*map(tuple, ridges[open_])]
    tree, count = KDTree(corners[:, :2]), len(corners)
    for number, place in enumerate((start, end)):
        near = np.atleast_1d(tree.query(place[:2], k=min(NEIGHBOURS, count))[1])
        links += [(count + number, int(corner)) for corner in near if _clear(place, corners[corner], others, apart)]
    nodes, pairs = np.concatenate([corners, [start, end]]), np.array(links, np.int64).reshape(-1, 2)
    lengths = np.linalg.norm(nodes[pairs[:, 0]] - nodes[pairs[:, 1]], axis=1) + 1e-12
    graph = csr_array((lengths, (pairs[:, 0], pairs[:, 1])), shape=(count + 2, count + 2))
    _, before = dijkstra(graph, directed=False, indices=count, return_predecessors=True)
    way, node = [], int(before[count + 1])
    while node >= 0 and node != count:
        way.append(nodes[node])
        node = int(before[node])
    return way[::-1] if node == count else None


def _taut(way: list[Real], others: Real, apart: float) -> list[Real]:
    """Leave out corners that a straight line can pass by."""
    kept, here = [], 0
    while here < len(way) - 1:
        here = next((there for there in range(len(way) - 1, here + 1, -1) if _clear(way[here], way[there], others, apart)), here + 1)
        kept.append(way[here])
    return kept


def _clear(start: Real, end: Real, others: Real, apart: float) -> bool:
    """Whether a straight line keeps its distance from all others."""
    return bool((_point_to_line(others, start, end) >= apart).all())


def _point_to_line(points: Real, start: Real, end: Real) -> Real:
    """Distance of points from straight lines of limited length."""
    along = end - start
    length = np.maximum((along * along).sum(axis=-1), 1e-300)
    share = np.clip(((points - start) * along).sum(axis=-1) / length, 0, 1)
    return np.asarray(np.linalg.norm(points - start - share[..., None] * along, axis=-1))


@kernel
def _square(ax: float, ay: float, az: float, bx: float, by: float, bz: float) -> float:
    """Least square of the length of a vector that goes straight from a to b."""
    x, y, z = bx - ax, by - ay, bz - az
    length = x * x + y * y + z * z
    share = min(max(-(ax * x + ay * y + az * z) / length, 0.0), 1.0) if length > 0 else 0.0
    x, y, z = ax + share * x, ay + share * y, az + share * z
    return x * x + y * y + z * z


@kernel
def _closest(start: Real, end: Real) -> tuple[float, int, int]:
    """Least square distance of two atoms that go straight, and the two."""
    least, one, other = np.inf, -1, -1
    for i in range(len(start)):
        for j in range(i):
            ax, ay, az = start[i, 0] - start[j, 0], start[i, 1] - start[j, 1], start[i, 2] - start[j, 2]
            bx, by, bz = end[i, 0] - end[j, 0], end[i, 1] - end[j, 1], end[i, 2] - end[j, 2]
            square = _square(ax, ay, az, bx, by, bz)
            if square < least:
                least, one, other = square, j, i
    return least, one, other


@kernel
def _allowed(start: Real, end: Real, i: int, j: int, square: float) -> int:
    """What atoms i and j may do without coming closer than the root of `square`: a sum of TOGETHER, EARLIER (i first) and LATER."""
    ax, ay, az = start[i, 0] - start[j, 0], start[i, 1] - start[j, 1], start[i, 2] - start[j, 2]
    bx, by, bz = end[i, 0] - end[j, 0], end[i, 1] - end[j, 1], end[i, 2] - end[j, 2]
    ix, iy, iz = end[i, 0] - start[j, 0], end[i, 1] - start[j, 1], end[i, 2] - start[j, 2]
    jx, jy, jz = start[i, 0] - end[j, 0], start[i, 1] - end[j, 1], start[i, 2] - end[j, 2]
    found = 0
    if _square(ax, ay, az, bx, by, bz) >= square:
        found += 1
    if _square(ax, ay, az, ix, iy, iz) >= square and _square(ix, iy, iz, bx, by, bz) >= square:
        found += 2
    if _square(ax, ay, az, jx, jy, jz) >= square and _square(jx, jy, jz, bx, by, bz) >= square:
        found += 4
    return found


@kernel
def _count_clashes(start: Real, end: Real, square: float, first: Index, second: Index, allowed: Index) -> int:
    """Number of pairs that may not do everything; writes them where there is room."""
    count = 0
    for i in range(len(start)):
        for j in range(i):
            may = _allowed(start, end, i, j, square)
            if may != 7:
                if count < len(first):
                    first[count], second[count], allowed[count] = i, j, may
                count += 1
    return count


def _clashes(start: Real, end: Real, square: float) -> tuple[Index, Index, Index]:
    """Pairs that may not do everything, and what they may do."""
    room = 0
    while True:
        first, second, allowed = (np.empty(room, np.int64) for _ in range(3))
        count = _count_clashes(start, np.ascontiguousarray(end), square, first, second, allowed)
        if count <= room:
            return first[:count], second[:count], allowed[:count]
        room = count
