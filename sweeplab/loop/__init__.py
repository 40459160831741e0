"""The loop as full-wave physics sees it: path, thin-wire solution, conductor, model."""

from sweeplab.loop.model import LoopModel

__all__ = ["LoopModel"]
