"""The description of a build: its file, its changes, the difference of two."""

from sweeplab.build.description import (
    Capacitor,
    Conductor,
    Feed,
    Loop,
    Part,
    Setting,
    Site,
)
from sweeplab.build.difference import Change, difference
from sweeplab.build.materials import MATERIALS, Material
from sweeplab.build.state import Build
from sweeplab.build.template import template

__all__ = [
    "MATERIALS",
    "Build",
    "Capacitor",
    "Change",
    "Conductor",
    "Feed",
    "Loop",
    "Material",
    "Part",
    "Setting",
    "Site",
    "difference",
    "template",
]
