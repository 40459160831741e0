"""The quantities of a build that carry an uncertainty into its loss budget."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, TypeVar

from sweeplab.builds import Build, Conductor, Loop
from sweeplab.loop.model import gap_of
from sweeplab.quantity import Quantity

# A gap that is not described may well be half or double the nominal one.
_UNKNOWN_GAP_RELATIVE = 0.4


_Piece = TypeVar("_Piece", Loop, Conductor)


@dataclass(frozen=True)
class UncertaintySource:
    """One quantity with an error.

    Parameters
    ----------
    key : str
        Dotted key of the build's file: the quantity's name wherever it appears.
    shifted : Build
        The build with that quantity one standard uncertainty larger.
    """

    key: str
    shifted: Build


def sources(build: Build) -> list[UncertaintySource]:
    """Return every quantity of `build` that has an uncertainty, with the build shifted by it."""
    return [*_of_loop(build), *_of_conductor(build), *_of_parts(build)]


def _one_sigma_up(quantity: Quantity) -> Quantity:
    return replace(quantity, value=quantity.value + quantity.u)


def _with(piece: _Piece, key: str, quantity: Quantity) -> _Piece:
    changes: dict[str, Any] = {key: quantity}
    return replace(piece, **changes)


def _of_loop(build: Build) -> list[UncertaintySource]:
    loop = build.loop
    found = []
    if loop.shape == "rectangle" and loop.width is not None and loop.height is not None:
        for key, side in (("width", loop.width), ("height", loop.height)):
            if side.u > 0:
                longer = replace(loop.circumference, value=loop.circumference.value + 2 * side.u)
                shifted = replace(_with(loop, key, _one_sigma_up(side)), circumference=longer)
                found.append(UncertaintySource("loop." + key, replace(build, loop=shifted)))
    elif loop.turn_lengths:
        for i, length in enumerate(loop.turn_lengths):
            if length.u > 0:
                lengths = (
                    *loop.turn_lengths[:i],
                    _one_sigma_up(length),
                    *loop.turn_lengths[i + 1 :],
                )
                shifted = replace(loop, turn_lengths=lengths)
                found.append(
                    UncertaintySource(
                        "loop.turn_lengths." + str(i + 1), replace(build, loop=shifted)
                    )
                )
    elif loop.circumference.u > 0:
        shifted = replace(loop, circumference=_one_sigma_up(loop.circumference))
        found.append(UncertaintySource(loop.size_key, replace(build, loop=shifted)))
    if loop.gap is None:
        gap = Quantity(gap_of(build) * (1 + _UNKNOWN_GAP_RELATIVE))
        found.append(UncertaintySource("loop.gap", replace(build, loop=replace(loop, gap=gap))))
    for key in ("gap", "leads", "turn_spacing"):
        quantity: Quantity | None = getattr(loop, key)
        if quantity is not None and quantity.u > 0:
            shifted = _with(loop, key, _one_sigma_up(quantity))
            found.append(UncertaintySource("loop." + key, replace(build, loop=shifted)))
    return found


def _of_conductor(build: Build) -> list[UncertaintySource]:
    found = []
    for key in ("diameter", "wall", "width", "thickness", "conductivity", "surface_factor"):
        quantity: Quantity | None = getattr(build.conductor, key)
        if quantity is not None and quantity.u > 0:
            shifted = _with(build.conductor, key, _one_sigma_up(quantity))
            found.append(UncertaintySource(f"conductor.{key}", replace(build, conductor=shifted)))
    return found


def _of_parts(build: Build) -> list[UncertaintySource]:
    found = []
    kinds = {part.kind: part.r for part in build.parts if part.r is not None and part.r.u > 0}
    for kind in kinds:
        # Parts of one kind share one resistance, and so one error.
        parts = tuple(
            replace(part, r=_one_sigma_up(part.r))
            if part.kind == kind and part.r is not None
            else part
            for part in build.parts
        )
        found.append(UncertaintySource(f"parts.{kind}.r", replace(build, parts=parts)))
    capacitor = build.capacitor
    if capacitor is not None and capacitor.esr is not None and capacitor.esr.u > 0:
        shifted = replace(capacitor, esr=_one_sigma_up(capacitor.esr))
        found.append(UncertaintySource("capacitor.esr", replace(build, capacitor=shifted)))
    return found
