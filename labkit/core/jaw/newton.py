"""Newton's method on poses of a rigid jaw, batched, with the analytic Jacobian."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.core.jaw.model import Problems
from labkit.core.jaw.rotation import Floats, cross, rotations

_NOT_FIXED = "the jaw's pose is singular: the conditions do not fix it"
_NOT_REACHED = (
    "the jaw reaches no pose that meets the conditions, or only past a singular one, in which they "
    "do not fix it (as where rods stand upright, or flare so much that turning the jaw does not "
    "change them)"
)

Bools = NDArray[np.bool_]
Indices = NDArray[np.intp]

#: A pose is accepted when no condition is missed by more than this.
RESIDUAL_LIMIT_MM = 1e-10
#: The iteration goes on to this: rounding of 100 mm coordinates leaves about 1e-13.
_RESIDUAL_AIM_MM = 1e-12
#: Quadratic convergence needs 4 to 6 rounds; more only helps next to a singular pose.
_ROUNDS = 25
#: Largest change in one round, so that a poor start cannot throw the jaw out of the head.
_MOST_MM, _MOST_RAD = 20.0, 0.3
#: Parts in which the way from the start is followed where a single run does not arrive.
_PARTS = 24
#: Typical distance of jaw points, to weigh radians against mm in the condition number.
_ARM_MM = 50.0
_WEIGHTS = np.array([1.0] * 3 + [_ARM_MM] * 3)
#: Above this, 1e-7 mm in a condition moves the jaw by about 1 mm: the pose is not fixed.
_CONDITION_LIMIT = 1e7
#: Large batches are solved in parts of this size, which keeps the working memory in the cache.
_CHUNK = 4096


@dataclass(frozen=True, eq=False)
class Conditions:
    """Six scalar conditions on a pose q = (t, ω) about the incisal point.

    Values: n·(R p + t − p) for the plane conditions, then |u − R m − t| for the rods.

    Args:
        normals, points: n and p of the plane conditions, shape (B, K, 3).
        upper, lower: u and m of the rods, shape (B, 6 − K, 3).

    All points are relative to the incisal point, in mm; B is 1 or the size of the batch.
    """

    normals: Floats
    points: Floats
    upper: Floats
    lower: Floats

    def take(self, members: slice | Indices) -> Conditions:
        """Pick members of the batch."""
        parts = (self.normals, self.points, self.upper, self.lower)
        return Conditions(*(part if len(part) == 1 else part[members] for part in parts))

    def measure(self, poses: Floats) -> tuple[Floats, Floats]:
        """Give the six values, shape (N, 6), and their Jacobian, shape (N, 6, 6)."""
        shift = poses[:, None, :3]
        rotation, left_jacobian = rotations(poses[:, 3:])
        turned = self.points @ rotation.swapaxes(-1, -2)
        planes = (self.normals * (turned + shift - self.points)).sum(axis=-1)
        lengths, towards, arms = rods(self.upper, self.lower, rotation, shift)
        normals = np.broadcast_to(self.normals, turned.shape)
        directions = np.concatenate((normals, -towards), axis=1)
        moments = cross(np.concatenate((turned, arms), axis=1), directions) @ left_jacobian
        values = np.concatenate((planes, lengths), axis=1)
        return values, np.concatenate((directions, moments), axis=2)


def rods(
    upper: Floats, lower: Floats, rotation: Floats, shift: Floats
) -> tuple[Floats, Floats, Floats]:
    """Give the rods' lengths, directions and turned lower points.

    Args:
        upper: Upper anchors from the incisal point I, mm, shape (…, R, 3).
        lower: Lower anchors from I at the registered bite, mm, shape (…, R, 3).
        rotation: Rotations of the jaw, shape (N, 3, 3).
        shift: Translation of I, mm, shape (N, 1, 3).

    Returns:
        Lengths (N, R), unit vectors from lower to upper and turned lower points (N, R, 3).
    """
    arms = lower @ rotation.swapaxes(-1, -2)
    spans = upper - arms - shift
    lengths = np.sqrt((spans * spans).sum(axis=-1))
    with np.errstate(divide="ignore", invalid="ignore"):  # coinciding anchors become NaN
        towards = spans / lengths[..., None]
    return lengths, towards, arms


@dataclass(frozen=True, eq=False)
class Solution:
    """Poses that meet their conditions.

    Args:
        poses: Shape (N, 6): translation in mm, rotation vector in rad; NaN without an answer.
        jacobian: Jacobian of the conditions there, shape (N, 6, 6).
        problems: Why a member has no answer.
    """

    poses: Floats
    jacobian: Floats
    problems: Problems


def solve(conditions: Conditions, start: Floats, targets: Floats) -> Solution:
    """Find the poses at which the conditions have the values asked for.

    Newton from the start; where that does not arrive, the targets are moved in small parts from
    what the start has to what is asked, so that the answer is the one continuous with the start.

    Args:
        start: Poses to start from, shape (N, 6).
        targets: Values asked for, shape (N, 6).

    Returns:
        The poses, with a reason for every member that has none.

    Validity: largest residual at most 1e-10 mm.
    """
    pieces = [
        _solve_part(conditions.take(part), start[part], targets[part])
        for part in _slices(len(start))
    ]
    poses, residual, jacobian, singular = map(np.concatenate, zip(*pieces, strict=True))
    problems = _problems(residual, singular)
    poses[list(problems)] = np.nan
    return Solution(poses, jacobian, problems)


def linear_solve(matrices: Floats, sides: Floats) -> Floats:
    """Solve batched linear equations; members with a singular matrix give NaN.

    Args:
        matrices: Shape (N, 6, 6).
        sides: Shape (N, 6, R).

    Returns:
        Shape (N, 6, R).
    """
    finite = np.isfinite(matrices).all(axis=(1, 2))
    if finite.all():
        with suppress(np.linalg.LinAlgError):  # nearly always every member can be solved
            return np.asarray(np.linalg.solve(matrices, sides), dtype=float)
    usable = np.flatnonzero(finite)
    usable = usable[np.linalg.slogdet(matrices[usable]).sign != 0.0]
    answer = np.full(sides.shape, np.nan)
    answer[usable] = np.linalg.solve(matrices[usable], sides[usable])
    return answer


def _slices(count: int) -> list[slice]:
    return [slice(first, first + _CHUNK) for first in range(0, max(count, 1), _CHUNK)]


def _solve_part(
    conditions: Conditions, start: Floats, targets: Floats
) -> tuple[Floats, Floats, Floats, Bools]:
    poses, residual = _newton(conditions, start, targets)
    lost = np.flatnonzero(~(residual <= RESIDUAL_LIMIT_MM))
    if lost.size:
        poses[lost], residual[lost] = _follow(conditions.take(lost), start[lost], targets[lost])
    _, jacobian = conditions.measure(poses)
    return poses, residual, jacobian, _singular(jacobian)


def _newton(
    conditions: Conditions, start: Floats, targets: Floats
) -> tuple[Floats, Floats]:
    """Run Newton's method; the residual of a member that strayed from its start is infinite."""
    poses = np.array(start, dtype=float)
    residual = np.full(len(poses), np.inf)
    reach, before, after = np.zeros((3, len(poses)))
    active = np.arange(len(poses))
    for round_number in range(_ROUNDS):
        values, jacobian = conditions.take(active).measure(poses[active])
        missed = values - targets[active]
        residual[active] = np.abs(missed).max(axis=1, initial=0.0)
        going = residual[active] > _RESIDUAL_AIM_MM  # NaN stops here: that member is lost
        after[active[~going]] = _orientation(jacobian[~going])
        if round_number == 0:
            before = _orientation(jacobian)
        active = active[going]
        if not active.size:
            break
        step = linear_solve(jacobian[going], missed[going][..., None])[..., 0]
        if round_number == 0:
            reach[active] = _size(step)
        poses[active] -= _capped(step)
    else:  # members held up by rounding between the aim and the limit
        after[active] = _orientation(conditions.take(active).measure(poses[active])[1])
    moved = _size(poses - start)
    # Newton–Kantorovich: where the first step is a good guide, the answer lies within twice its
    # length and no singular pose lies between, so that the determinant keeps its sign.
    strayed = (moved > 2.0 * reach + RESIDUAL_LIMIT_MM) | (before != after)
    residual[strayed] = np.inf
    return poses, residual


def _size(step: Floats) -> Floats:
    """Size of a change of pose, in mm at a typical arm."""
    weighed = step * _WEIGHTS
    size: Floats = np.sqrt((weighed * weighed).sum(axis=1))
    return size


def _orientation(jacobian: Floats) -> Floats:
    """Sign of the determinant; it changes only through a singular pose."""
    with np.errstate(invalid="ignore"):  # a pose that is lost is not a number
        return np.asarray(np.linalg.slogdet(jacobian).sign, dtype=float)


def _capped(step: Floats) -> Floats:
    move = np.sqrt((step[:, :3] ** 2).sum(axis=1)) / _MOST_MM
    turn = np.sqrt((step[:, 3:] ** 2).sum(axis=1)) / _MOST_RAD
    shortened: Floats = step / np.maximum(np.maximum(move, turn), 1.0)[:, None]
    return shortened


def _follow(
    conditions: Conditions, start: Floats, targets: Floats
) -> tuple[Floats, Floats]:
    """Move the targets in small parts; a member that is lost once stays lost."""
    begin, _ = conditions.measure(start)
    poses, residual = start.copy(), np.full(len(start), np.inf)
    kept = np.arange(len(start))
    for part in range(1, _PARTS + 1):
        wanted = begin[kept] + (targets - begin)[kept] * (part / _PARTS)
        poses[kept], residual[kept] = _newton(conditions.take(kept), poses[kept], wanted)
        kept = kept[residual[kept] <= RESIDUAL_LIMIT_MM]
    return poses, residual


def _singular(jacobian: Floats) -> Bools:
    """Where the condition number, radians weighed by a typical arm, is beyond use."""
    weighed = jacobian / _WEIGHTS
    inverse = linear_solve(weighed, np.broadcast_to(np.eye(6), weighed.shape))
    number = np.abs(weighed).sum(axis=1).max(axis=1) * np.abs(inverse).sum(axis=1).max(axis=1)
    bad: Bools = ~(number <= _CONDITION_LIMIT)
    return bad


def _problems(residual: Floats, singular: Bools) -> dict[int, str]:
    problems = {}
    for member in np.flatnonzero(singular | ~(residual <= RESIDUAL_LIMIT_MM)):
        reached = residual[member] <= RESIDUAL_LIMIT_MM
        reason = _NOT_FIXED if reached else _NOT_REACHED
        problems[int(member)] = f"{reason}; check the anchors, the condyles and the pads"
    return problems
