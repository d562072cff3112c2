"""From a file of measured coupons to a calibrated process."""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field, replace
from decimal import Decimal

from labkit.core.findings import Finding, refusals
from labkit.core.form.words import nearest
from labkit.core.reasons import check_reason
from labkit.core.rod.calibration import Calibration, FittedOffset
from labkit.core.rod.rods import Compensation, Process
from labkit.documents.figures import signed
from labkit.errors import InputError, InputErrors, LabkitError, RefusedError
from labkit.qa.process.calibration import LengthFit, fit_lengths, fit_offset
from labkit.qa.process.calibration_limits import (
    LEAST_DIAMETERS,
    Suspect,
    limits_of_use,
    suspects,
    too_few,
)
from labkit.qa.process.coupons import DIAMETERS, Coupon, ToLength, read_coupons
from labkit.units import counted, plain, written
from labkit.workflow.process.calibrate_notes import notes

#: The process of the program that compensates nothing.
_NOMINAL = "nominal"
#: Leaving out more than this part is choosing the result.
MOST_LEFT_OUT_PART = 0.2
#: Decimals of scale and offsets in a process file: far finer than any coupon tells.
SCALE_DECIMALS, OFFSET_DECIMALS = 7, 5
#: What a process file can hold.
_SCALES, _OFFSETS = (0.9, 1.1), (-1.0, 1.0)


@dataclass(frozen=True)
class CouponFile:
    """A file of coupons as given.

    Args:
        to_length: Turns its readings into lengths; None where it holds lengths.
    """

    raw: bytes = field(repr=False)
    name: str
    to_length: ToLength | None = None

    @property
    def sha256(self) -> str:
        """SHA-256, hexadecimal."""
        return hashlib.sha256(self.raw).hexdigest()


@dataclass(frozen=True)
class Asked:
    """What is asked of a calibration.

    Args:
        instrument: What the coupons were measured with, in words.
        gauge_u_mm: Standard uncertainty that all readings share.
        tolerance_mm: Tolerance of the rods' length, ±; None for ISO 2768-1 class f.
        keep: Coupons that stand out and were found to be right.
        leave_out: Coupons that do not count.
    """

    name: str
    date: datetime.date
    by: str
    instrument: str
    gauge_u_mm: float
    tolerance_mm: Decimal | None = None
    keep: tuple[str, ...] = ()
    leave_out: tuple[str, ...] = ()
    reason: str = ""


@dataclass(frozen=True)
class Calibrated:
    """A calibrated process and what it rests on.

    Args:
        suspects: Coupons that stand out and were kept.
    """

    process: Process
    base: Process
    lengths: LengthFit
    suspects: tuple[Suspect, ...]
    left_out: tuple[Coupon, ...]
    findings: tuple[Finding, ...]

    @property
    def calibration(self) -> Calibration:
        """The calibration of the new process."""
        assert self.process.calibration is not None
        return self.process.calibration

    @property
    def standing_out(self) -> tuple[str, ...]:
        """Names of the coupons that stand out and were kept."""
        return tuple(dict.fromkeys(suspect.name for suspect in self.suspects))


def calibrate(file: CouponFile, base: Process, asked: Asked) -> Calibrated:
    """Calibrate a process by coupons that were built with it.

    Raises:
        InputError: The file cannot be used; every mistake has its line and column.
        RefusedError: Too few or too narrow coupons, one that stands out and was not looked at, or
            lengths that a straight line does not describe.
    """
    coupons = read_coupons(file.raw, file.name, file.to_length)
    _one_machine(coupons, file.name)
    used, left_out = _chosen(coupons, asked)
    _refuse(too_few(used), file.name)
    standing_out = suspects(used, base.compensation)
    _ask_about(standing_out, asked, file.name)
    fit = fit_lengths(used, base.compensation)
    findings = limits_of_use(fit, asked.tolerance_mm)
    _refuse(findings, file.name)
    offsets = {kind: _offset(kind, used, base.compensation) for kind in DIAMETERS}
    process = _process(fit, offsets, base, file, asked)
    process = replace(process, evidence=_evidence(process, asked, left_out, standing_out))
    return Calibrated(
        process, base, fit, standing_out, left_out,
        (*findings, *notes(fit, offsets, base, asked.gauge_u_mm)),
    )


def _refuse(findings: Iterable[Finding], name: str) -> None:
    stopped = refusals(findings)
    if stopped:
        raise _all([RefusedError(f.message, where=name, field=f.code) for f in stopped])


def _all(errors: list[LabkitError]) -> LabkitError:
    if len(errors) == 1:
        return errors[0]
    joined = InputErrors(tuple(errors))
    joined.exit_code = RefusedError.exit_code
    return joined


def _one_machine(coupons: Iterable[Coupon], name: str) -> None:
    machines = sorted({coupon.machine for coupon in coupons})
    if len(machines) > 1:
        words = ", ".join(machine or "none" for machine in machines)
        raise InputError(
            f"has coupons of several machines ({words}); a process is one machine: give the rows "
            "of one, and calibrate the other as a process of its own",
            where=name, field="machine",
        )


def _chosen(
    coupons: tuple[Coupon, ...], asked: Asked
) -> tuple[tuple[Coupon, ...], tuple[Coupon, ...]]:
    known = [coupon.name for coupon in coupons]
    for option, names in (("--keep", asked.keep), ("--leave-out", asked.leave_out)):
        for name in names:
            if name not in known:
                near = nearest(name, known)
                hint = f"; did you mean {near!r}?" if near else ""
                raise InputError(
                    f"{option} {name!r}: there is no such coupon{hint}", field=option, value=name
                )
    if both := sorted({*asked.keep} & {*asked.leave_out}):
        raise InputError(
            f"{both[0]!r} is named with --keep and with --leave-out; take one of them",
            field="--keep", value=both[0],
        )
    if asked.leave_out:
        check_reason(asked.reason, "why coupons are left out, with --reason")
    if asked.reason and not (asked.leave_out or asked.keep):
        raise InputError("--reason goes with --leave-out or --keep; name the coupon that it is for")
    left_out = tuple(coupon for coupon in coupons if coupon.name in asked.leave_out)
    if len(left_out) > MOST_LEFT_OUT_PART * len(coupons):
        raise RefusedError(
            f"{len(left_out)} of {counted(len(coupons), 'coupon')} would be left out; to leave "
            "out more than a fifth means choosing the result: build new coupons",
            field="--leave-out",
        )
    return tuple(c for c in coupons if c.name not in asked.leave_out), left_out


def _ask_about(standing_out: Iterable[Suspect], asked: Asked, name: str) -> None:
    """Ask about coupons that stand out; none is left out unasked."""
    open_ones: list[LabkitError] = [
        RefusedError(_question(suspect), where=name, field="outlier", value=suspect.name)
        for suspect in standing_out
        if suspect.name not in asked.keep
    ]
    if open_ones:
        raise _all(open_ones)


def _question(suspect: Suspect) -> str:
    name = f'"{suspect.name}"' if " " in suspect.name else suspect.name
    return (
        f"coupon {suspect.name}: its {suspect.what} is {signed(suspect.off_mm, 3)} mm from what "
        f"the others say; by chance one of all is so far off in {_share(suspect.p)} files; measure "
        f"it again and correct the file; if it is right, --keep {name}; if it is no good rod, "
        f"--leave-out {name} --reason WHY"
    )


def _share(p: float) -> str:
    return "fewer than 1 of 1000" if p < 0.001 else f"{1000 * p:.0f} of 1000"


def _offset(
    kind: str, coupons: Iterable[Coupon], present: Compensation
) -> FittedOffset | None:
    sizes = [c.diameters[kind] for c in coupons if kind in c.diameters]
    if len(sizes) < LEAST_DIAMETERS:
        return None
    found = fit_offset(
        [(size.nominal_mm, size.measured_mm) for size in sizes],
        getattr(present, f"{kind}_offset_mm"),
    )
    offset = written(found.offset_mm, OFFSET_DECIMALS)
    _require_holdable(f"{kind} offset", offset, _OFFSETS)
    return replace(
        found, offset_mm=offset, u_mm=_digits(found.u_mm), sd_mm=_digits(found.sd_mm)
    )


def _digits(value: float) -> float:
    """Four digits: more than an uncertainty is worth."""
    return float(f"{written(value, 12):.4g}")


def _require_holdable(what: str, value: float, limits: tuple[float, float]) -> None:
    if not limits[0] <= value <= limits[1]:
        raise RefusedError(
            f"the coupons ask for a {what} of {plain(value)}; a process may have "
            f"{plain(limits[0])} to {plain(limits[1])}: something else is wrong with the machine "
            "or the file", field=what, value=value,
        )


def _process(
    fit: LengthFit,
    offsets: dict[str, FittedOffset | None],
    base: Process,
    file: CouponFile,
    asked: Asked,
) -> Process:
    scale = written(fit.scale, SCALE_DECIMALS)
    offset = written(fit.offset_mm, OFFSET_DECIMALS)
    _require_holdable("length scale", scale, _SCALES)
    _require_holdable("length offset", offset, _OFFSETS)
    found = {f"{kind}_offset_mm": own.offset_mm for kind, own in offsets.items() if own}
    calibration = Calibration(
        date=asked.date,
        by=asked.by,
        instrument=asked.instrument,
        coupons=len(fit.coupons),
        lengths=len({coupon.nominal_mm for coupon in fit.coupons}),
        shortest_mm=float(fit.shortest_mm),
        longest_mm=float(fit.longest_mm),
        length_scale=scale,
        length_scale_u=_digits(fit.scale_u),
        length_offset_mm=offset,
        length_offset_u_mm=_digits(fit.offset_u_mm),
        # Long scale and offset nearly cancel, so that the rest hangs on many digits of this.
        correlation=written(fit.correlation, 8),
        residual_sd_mm=_digits(fit.fit.residual_sd),
        residual_dof=fit.fit.dof,
        **{kind: offsets[kind] for kind in DIAMETERS},
        base=base.name,
        source=file.name,
        source_sha256=file.sha256,
    )
    return replace(
        base,
        name=asked.name,
        title=f"{_title(base, asked)}, calibrated {asked.date.isoformat()}",
        compensation=replace(
            base.compensation, length_scale=scale, length_offset_mm=offset, **found
        ),
        calibration=calibration,
    )


def _title(base: Process, asked: Asked) -> str:
    """Take the title of the process before; the nominal one's says that nothing is compensated."""
    if base.name == _NOMINAL:
        return asked.name
    return base.title.split(", calibrated ")[0]


def _evidence(
    process: Process,
    asked: Asked,
    left_out: Collection[Coupon],
    standing_out: Collection[Suspect],
) -> str:
    """Say where the values come from, for the process file and the papers of each set."""
    own = process.calibration
    assert own is not None
    parts = [
        f"Calibrated {own.date.isoformat()} by {own.by} from {counted(own.coupons, 'coupon')} of "
        f"{counted(own.lengths, 'length')}, {plain(own.shortest_mm)} to {plain(own.longest_mm)} "
        f"mm, built with {own.base} and measured with {own.instrument}; a single length scatters "
        f"by {own.residual_sd_mm:.3f} mm (standard deviation); readings in {own.source}"
    ]
    if asked.tolerance_mm is not None:
        parts.append(f"held against rods of ± {plain(asked.tolerance_mm)} mm")
    why = f" ({asked.reason})" if asked.reason else ""
    if left_out:
        parts.append(f"left out: {', '.join(coupon.name for coupon in left_out)}{why}")
    if standing_out:
        kept = ", ".join(dict.fromkeys(suspect.name for suspect in standing_out))
        parts.append(f"kept although far off: {kept}{'' if left_out else why}")
    return "; ".join(parts)
