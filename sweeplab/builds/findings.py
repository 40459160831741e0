"""What a build's description leaves open, said in findings."""

from __future__ import annotations

from collections.abc import Mapping

from sweeplab.builds.assemble import Components
from sweeplab.builds.materials import MATERIALS, OPEN_NAMES, material
from sweeplab.finding import Finding
from sweeplab.quantity import Quantity, format_quantity


def findings_of(components: Components, assumed: Mapping[str, str]) -> tuple[Finding, ...]:
    """Return what the description leaves open.

    Parameters
    ----------
    components : Components
    assumed : mapping of str to str
        Keys that were left out, with what was assumed for them.
    """
    open_questions = (
        _exact_size(components),
        _exact_lengths(components),
        _defaults_assumed(assumed),
        _open_alloy(components),
        _braid_factor(components),
    )
    return tuple(finding for finding in open_questions if finding is not None)


def _exact_size(components: Components) -> Finding | None:
    circumference = components.loop.circumference
    if circumference.u_given:
        return None
    size = components.loop.size_key
    return Finding(
        code="no-tolerance",
        level="note",
        text=f"{size} has no uncertainty and is taken as exact; 1 % in circumference "
        f"({format_quantity(circumference.value / 100, 'm', digits=2)}) is 4 % in radiation "
        "resistance and up to 4 % in efficiency.",
        evidence={"circumference_m": circumference.value, "efficiency_percent_per_percent": 4.0},
        action="Measure it and write how surely, such as "
        f'"{format_quantity(circumference.value, "m", digits=3)}'
        ' ± 1 cm".',
    )


def _exact_lengths(components: Components) -> Finding | None:
    """Say which other lengths that the model uses are taken as exact."""
    conductor, feed = components.conductor, components.feed
    lengths: dict[str, Quantity | None] = {
        "conductor.diameter": conductor.diameter,
        "conductor.width": conductor.width,
        "conductor.thickness": conductor.thickness,
        "loop.turn_spacing": components.loop.turn_spacing,
        "feed.circumference": None if feed is None else feed.circumference,
    }
    exact = {name: q.value for name, q in lengths.items() if q is not None and not q.u_given}
    if not exact:
        return None
    return Finding(
        code="taken-as-exact",
        level="note",
        text=f"No uncertainty is given for {', '.join(exact)}: taken as exact.",
        evidence={f"{name}_m": value for name, value in exact.items()},
        action='Write "12 mm ± 0.1 mm" where it is known.',
    )


def _defaults_assumed(assumed: Mapping[str, str]) -> Finding | None:
    if not assumed:
        return None
    listed = ", ".join(f"{key} {value}" for key, value in assumed.items())
    return Finding(
        code="taken-as",
        level="note",
        text=f"Not said, so taken as: {listed}.",
        evidence=dict(assumed),
        action="Say it in the build's file, even where it is as taken.",
    )


def _open_alloy(components: Components) -> Finding | None:
    name, conductivity = components.conductor.material, components.conductor.conductivity.value
    known = material(name)
    if name not in OPEN_NAMES or known is None or known.conductivity_s_per_m != conductivity:
        return None
    reach = {alloy: MATERIALS[alloy].conductivity_s_per_m for alloy in OPEN_NAMES[name]}
    low, high = min(reach.values()), max(reach.values())
    # Skin effect: the resistance goes with the square root of the resistivity.
    more, less = (conductivity / low) ** 0.5 - 1, 1 - (conductivity / high) ** 0.5
    return Finding(
        code="alloy-open",
        level="note",
        text=f"{name} may be any alloy from {low / 1e6:.0f} to {high / 1e6:.0f} MS/m; taken as "
        f"{known.name}, {conductivity / 1e6:.0f} MS/m. The conductor's resistance could be "
        f"{more:.0%} more or {less:.0%} less.",
        evidence={f"{alloy}_s_per_m": value for alloy, value in reach.items()},
        action=f"Name the alloy: {', '.join(reach)}; or give conductivity.",
    )


def _braid_factor(components: Components) -> Finding | None:
    factor = components.conductor.surface_factor
    if components.conductor.form != "braid" or factor.u_given or factor.value != 1.0:
        return None
    return Finding(
        code="braid-factor",
        level="note",
        text="Braid loses more than a smooth tube, and no trustworthy multiplier is published: it "
        "is "
        "taken as smooth, and what it loses on top stands in the remainder.",
        evidence={"surface_factor": factor.value},
        action="Compare it with a tube of the same size on the same loop, or give conductor."
        "surface_factor with an uncertainty.",
    )


def no_setting(names: tuple[str, ...]) -> Finding:
    """Return the finding for a build whose settings were not chosen from."""
    listed = ", ".join(names)
    return Finding(
        code="no-setting",
        level="note",
        text=f"This build has settings ({listed}) and none was named: taken without any of them.",
        evidence={"settings": listed},
        action="Name the setting the sweep was taken in.",
    )
