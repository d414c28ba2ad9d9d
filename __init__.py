"""A closed-loop oxygen controller testbed.

A discrete-event simulation couples a neonatal oxygen-saturation model with
pluggable inspired-oxygen controllers and reports what each does to the same
virtual infants, against adjustment by hand.

This is teaching and engineering software, not a medical device. It gives no
advice for any infant: local protocols and licensed clinicians decide.
"""

from __future__ import annotations

from importlib import import_module

__version__ = "0.1.0"

_LAZY = {
    "Controller": "loop.controller",
    "Reading": "loop.signals",
    "Settings": "loop.signals",
    "check_controller": "loop.check",
    "compare": "experiments.compare",
    "compare_targets": "experiments.targets",
    "load_scenario": "experiments.scenario",
}

__all__ = ["__version__", *_LAZY]


def __getattr__(name: str) -> object:
    if name in _LAZY:
        return getattr(import_module(f".{_LAZY[name]}", __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
