"""Build: one physical state of the antenna, as its file describes it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from sweeplab.builds.assemble import assemble
from sweeplab.builds.components import Capacitor, Conductor, Feed, Loop, Part, Setting, Site
from sweeplab.builds.edit import changed_data, data_in_setting
from sweeplab.builds.findings import findings_of, no_setting
from sweeplab.builds.parse import parse_build
from sweeplab.builds.plain_text import plain_texts
from sweeplab.builds.schema import nearest
from sweeplab.builds.toml_text import TomlText, write_toml
from sweeplab.errors import BuildError
from sweeplab.finding import Finding


@dataclass(frozen=True)
class Build:
    """One physical state of the antenna. Made by `from_toml`; another state by `with_changes`.

    Two builds are equal when everything they say is; how it was written does not count.

    Parameters
    ----------
    name, note : str
    loop : Loop
    conductor : Conductor
    capacitor : Capacitor or None
    settings : tuple of Setting
    parts : tuple of Part
    feed : Feed or None
    site : Site or None
    findings : tuple of Finding
        What the description leaves open.
    text : str
        The TOML it was read from.
    data : mapping
        The same as data.
    """

    name: str
    loop: Loop
    conductor: Conductor
    note: str = ""
    capacitor: Capacitor | None = None
    settings: tuple[Setting, ...] = ()
    parts: tuple[Part, ...] = ()
    feed: Feed | None = None
    site: Site | None = None
    findings: tuple[Finding, ...] = field(default=(), hash=False)
    text: str = field(default="", compare=False, repr=False)
    data: Mapping[str, Any] = field(default_factory=dict, compare=False, repr=False)

    @classmethod
    def from_toml(cls, text: str, path: str = "") -> Build:
        """Read a build from its TOML text.

        Parameters
        ----------
        text : str
        path : str
            The file it is from, for errors.

        Raises
        ------
        BuildError
            With key and line: no TOML, an unknown or missing key, a value that cannot be.
        """
        source = TomlText(text.removeprefix("\ufeff"), path)
        return cls._from_data(source.data(), source)

    @classmethod
    def _from_data(cls, data: Mapping[str, Any], source: TomlText) -> Build:
        values = parse_build(data, source)
        components = assemble(values, source)
        for index, setting in enumerate(components.settings):
            _check_setting(data, setting.name, ("settings", index), source)
        findings = findings_of(components, values.assumed)
        text = source.text or write_toml(data)
        return cls(**vars(components), findings=findings, text=text, data=data)

    def in_setting(self, name: str | None) -> Build:
        """Return the build as it is in one setting: that setting's values, and no settings left.

        Without a name a build that has settings is taken without any of them, and a finding says
        so; one that has none is returned as it is.

        Raises
        ------
        BuildError
            No such setting.
        """
        known = tuple(setting.name for setting in self.settings)
        if name is None and not known:
            return self
        if name is not None and name not in known:
            action = "this build has no settings; name none"
            if known:
                listed = ", ".join(map(repr, known))
                action = f"known: {listed}; nearest: {nearest(name, known)!r}"
            raise BuildError("settings", f"build {self.name!r} has no setting {name!r}", action)
        state = Build._from_data(data_in_setting(self.data, name), TomlText())
        if name is not None:
            return state
        return replace(state, findings=(*state.findings, no_setting(known)))

    def with_changes(self, changes: Mapping[str, Any]) -> Build:
        """Return the build with some keys changed.

        Parameters
        ----------
        changes : mapping of str to str
            Dotted keys to values as texts: ``{"feed.circumference": "0.66 m"}``. In lists the
            part's kind or the setting's name stands in the middle: ``parts.joint.count``. None or
            an empty text removes the key; for ``parts.joint`` or ``capacitor`` the whole table. A
            part or setting is added by giving its ``kind`` or ``name``. With a new name the old
            note goes.

        Raises
        ------
        BuildError
            An unknown key, or a build that does not hold.
        """
        return Build._from_data(changed_data(self.data, changes), TomlText())

    def to_toml(self) -> str:
        """Return the build as TOML text, keys in a fixed order; read again it is equal."""
        return write_toml(self.data)

    def describe(self) -> dict[str, str]:
        """Return what the build says, as dotted keys and plain texts; name and note left out.

        Defaults are in it, and lengths in one way of writing: descriptions differ only where
        builds do.
        """
        return plain_texts(parse_build(self.data, TomlText()))


def _check_setting(
    data: Mapping[str, Any], name: str, key_path: tuple[str | int, ...], source: TomlText
) -> None:
    """Raise, at the setting's place, where the build does not hold in that setting."""
    try:
        assemble(parse_build(data_in_setting(data, name), TomlText()), TomlText())
    except BuildError as error:
        key = error.key.rpartition(".")[2]
        found = f"{error.found} in the setting {name!r}"
        label = f"settings.{name}.{key}"
        raise source.error((*key_path, key), found, error.action, key=label) from None
