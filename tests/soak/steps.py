"""The steps of a run as a soak sees them, and a run spared what no fault of disk or memory turns on.

Both change the modules of this process: for forks only.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

STEPS = ("open", "ingest", "normalise", "validate", "decisions", "report", "publish")
"""In order; `open` is what comes before the first."""
_FUNCTIONS = {"decisions": "decisions_of"}


def at_each_step(begins: Callable[[int], None]) -> None:
    """Have `begins` called with a step's number as it begins, `open` not among them."""
    from pipeline.orchestrate import run  # noqa: PLC0415 -- imported before forking, by `warm`

    def told(number: int, step: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(step)
        def begun(*given: Any, **named: Any) -> Any:
            begins(number)
            return step(*given, **named)

        return begun

    for number, name in enumerate(STEPS[1:], 1):
        function = _FUNCTIONS.get(name, f"{name}_step")
        setattr(run, function, told(number, getattr(run, function)))


def spare() -> None:
    """Leave out the charts' drawings and nine rules of ten: no file, table or sync less, a third of the time."""
    import dashboards.charts  # noqa: PLC0415
    import dashboards.unit_charts  # noqa: PLC0415
    from pipeline.validate.rules import rules  # noqa: PLC0415

    for module in (dashboards.charts, dashboards.unit_charts):
        for name, drawn in vars(module).copy().items():
            if callable(drawn) and getattr(drawn, "__module__", "") == module.__name__:
                setattr(module, name, _no_chart)
    kept = rules()
    assert isinstance(kept, dict)
    for number, name in enumerate(list(kept)):
        if number % 10:
            del kept[name]


def _no_chart(*_given: Any, **_named: Any) -> dict[str, Any]:
    return {}
