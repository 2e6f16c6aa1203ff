"""Trials of mutants: one forked process each, with all libraries imported before, none of ours.

The mutant never touches the disk: the child imports it from memory. Only tests that ran the
mutant's function are run, quickest files first, until one fails. Polars' threads do not live
through a fork, so nothing of polars is used in the parent.
"""

from __future__ import annotations

import importlib.abc
import importlib.machinery
import importlib.util
import os
import pickle
import resource
import select
import signal
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

import coverage
import pytest

ROOT = Path(__file__).resolve().parents[2]
OURS = ("pipeline", "dashboards", "sample_logs", "schemas", "tests", "conftest")
MEMORY = 8 * 2**30
SLOW_FIXTURE_S = 0.5
PYTEST = ("-q", "-p", "no:cacheprovider", "-m", "not slow and not browser")


def in_child(work: Callable[[], Any], seconds: float) -> Any:
    """What `work` gives in a forked process, or the text 'timeout' or 'crash'.

    MUTATION_SHOW=FILE shows what it prints.
    """
    read, write = os.pipe()
    if not (pid := os.fork()):
        code = 1
        try:
            os.setsid()
            resource.setrlimit(resource.RLIMIT_DATA, (MEMORY, MEMORY))
            silent = os.open(os.environ.get("MUTATION_SHOW", os.devnull), os.O_RDWR)
            for stream in (0, 1, 2):
                os.dup2(silent, stream)
            with os.fdopen(write, "wb") as out:
                pickle.dump(work(), out)
            code = 0
        finally:
            os._exit(code)
    os.close(write)
    answer, slices = b"", 0
    # counted in slices of our own waiting: where both processes are held up by others, no time
    # passes
    while slices < seconds:
        if not select.select([read], [], [], 1.0)[0]:
            slices += 1
        elif part := os.read(read, 1 << 20):
            answer += part
        else:
            break
    else:
        os.killpg(pid, signal.SIGKILL)
    os.close(read)
    os.waitpid(pid, 0)
    if slices >= seconds:
        return "timeout"
    try:
        return pickle.loads(answer)  # noqa: S301 - from our own child
    except (EOFError, pickle.UnpicklingError):
        return "crash"


class _Loader(importlib.machinery.SourceFileLoader):
    source = ""

    def get_code(self, fullname: str) -> CodeType:  # noqa: ARG002
        return compile(self.source, self.path, "exec", dont_inherit=True)


@dataclass
class InMemory(importlib.abc.MetaPathFinder):
    """Gives one module another text than its file's."""

    name: str
    path: Path
    source: str

    def find_spec(self, fullname: str, path: Any = None, target: ModuleType | None = None) -> Any:  # noqa: ARG002
        """The module's spec, with the text in memory."""
        if fullname != self.name:
            return None
        loader = _Loader(fullname, str(self.path))
        loader.source = self.source
        inside = [str(self.path.parent)] if self.path.name == "__init__.py" else None
        return importlib.util.spec_from_file_location(
            fullname, self.path, loader=loader, submodule_search_locations=inside
        )


@dataclass
class Baseline:
    """The tests unchanged.

    Seconds by test, which lines each ran, and slow fixtures' values with the files they ran.
    """

    code: int = 1
    seconds: dict[str, float] = field(default_factory=dict)
    runs: dict[str, dict[str, set[int]]] = field(default_factory=dict)
    at_import: dict[str, set[int]] = field(default_factory=dict)
    fixtures: dict[str, tuple[bytes, set[str]]] = field(default_factory=dict)
    libraries: list[str] = field(default_factory=list)
    failed: str = ""


class _Watch:
    """Takes a baseline."""

    def __init__(self, cov: coverage.Coverage) -> None:
        self.cov, self.seen = cov, Baseline()
        self.uses: dict[str, set[str]] = {}
        self.kept: dict[str, bytes] = {}

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Any:
        _forget()
        self.cov.switch_context(item.nodeid)
        begin = time.perf_counter()
        result = yield
        self.seen.seconds[item.nodeid] = time.perf_counter() - begin
        known = item._fixtureinfo.name2fixturedefs.values()
        self.uses[item.nodeid] = {_name(f[-1]) for f in known if f[-1].scope != "function"}
        self.cov.switch_context("")
        return result

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Any:
        if fixturedef.scope == "function":
            return (yield)
        self.cov.switch_context(_name(fixturedef))
        begin = time.perf_counter()
        value = yield
        if time.perf_counter() - begin > SLOW_FIXTURE_S:
            with suppress(Exception):
                self.kept[_name(fixturedef)] = pickle.dumps(value)
        self.cov.switch_context(
            request.node.nodeid if request.scope == "function" else request._pyfuncitem.nodeid
        )
        return value

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.seen.failed = self.seen.failed or f"{report.nodeid}\n{report.longreprtext}"

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed:
            self.seen.failed = self.seen.failed or f"{report.nodeid}\n{report.longreprtext}"

    def finish(self) -> Baseline:
        data, ran = self.cov.get_data(), defaultdict[str, dict[str, set[int]]](dict)
        for file in data.measured_files():
            for line, contexts in data.contexts_by_lineno(file).items():
                for context in contexts:
                    ran[context].setdefault(file, set()).add(line)
        for test, fixtures in self.uses.items():
            whole: dict[str, set[int]] = {f: set(lines) for f, lines in ran[test].items()}
            for fixture in fixtures:
                for file, lines in ran[fixture].items():
                    whole.setdefault(file, set()).update(lines)
            self.seen.runs[test] = whole
        self.seen.at_import = dict(ran[""])
        self.seen.fixtures = {name: (value, set(ran[name])) for name, value in self.kept.items()}
        self.seen.libraries = [
            name for name, m in list(sys.modules.items())
            if name.partition(".")[0] not in OURS and not str(getattr(m, "__file__", None) or "").startswith(str(ROOT))
        ]  # fmt: skip
        return self.seen


def _forget() -> None:
    """Empty our functions' caches: else only the first test that needs a cached function is seen to run it."""
    ours = [m for name, m in list(sys.modules.items()) if name.partition(".")[0] in OURS]
    for kept in {
        id(k): k for m in ours for k in vars(m).values() if hasattr(k, "cache_clear")
    }.values():
        kept.cache_clear()


def _name(fixturedef: Any) -> str:
    return f"fixture {fixturedef.baseid}::{fixturedef.argname}"


def baseline(tests: list[str], left_out: list[str]) -> Baseline:
    """Run the tests once as they are, in a child; raises SystemExit where they do not pass."""

    def work() -> Baseline:
        cov = coverage.Coverage(
            data_file=None, config_file=False, source=[str(ROOT / "pipeline")], messages=False
        )
        cov.start()
        watch = _Watch(cov)
        code = pytest.main(
            [*PYTEST, *(f"--deselect={t}" for t in left_out), *tests], plugins=[watch]
        )
        cov.stop()
        seen = watch.finish()
        seen.code = int(code)
        place = sys.modules["pipeline"].__file__
        assert place, "a package has a place"
        assert Path(place).is_relative_to(ROOT), f"the tests import {place}, not {ROOT}"
        return seen

    seen = in_child(work, 3600)
    if not isinstance(seen, Baseline) or seen.code:
        raise SystemExit(
            f"the tests must pass before they can judge mutants: {getattr(seen, 'failed', seen)}"
        )
    return seen


def preload(libraries: list[str]) -> None:
    """Import what is not ours, so that no child has to."""
    for name in libraries:
        with suppress(Exception):
            importlib.import_module(name)
    assert not {"pipeline", "conftest"} & set(sys.modules), "ours must be imported in the children"


class _Choose:
    """Runs chosen tests only, the quickest file first.

    Slow fixtures that cannot know of the mutant come from the baseline.
    """

    def __init__(
        self, order: dict[str, int], fixtures: dict[str, bytes], *, by_import: bool
    ) -> None:
        self.order, self.fixtures, self.failed = order, fixtures, ""
        # what acts at import may change the ids of parametrised tests
        self.functions = {t.partition("[")[0] for t in order} if by_import else set[str]()

    def pytest_sessionstart(self) -> None:
        from hypothesis import Phase, settings  # noqa: PLC0415

        settings.register_profile(
            "mutation", settings(), phases=(Phase.explicit, Phase.generate), database=None
        )
        settings.load_profile("mutation")

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted(
            (
                i
                for i in items
                if i.nodeid in self.order or i.nodeid.partition("[")[0] in self.functions
            ),
            key=lambda i: self.order.get(i.nodeid, -1),
        )

    @pytest.hookimpl(tryfirst=True)
    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Any:
        if (kept := self.fixtures.get(_name(fixturedef))) is None:
            return None
        value = pickle.loads(kept)  # noqa: S301 - from our own child
        fixturedef.cached_result = (value, fixturedef.cache_key(request), None)
        return value

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed = self.failed or report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed:
            self.failed = self.failed or f"import by {report.nodeid}"


def chosen(seen: Baseline, path: Path, span: tuple[int, int] | None) -> list[str]:
    """Tests that can notice a change, in order.

    Those that ran the function, or all where it acts at import.
    """
    file = str(path)
    lines = set(range(span[0], span[1] + 1)) if span else set()
    if not span or lines & seen.at_import.get(file, set()):
        able = list(seen.seconds)
    else:
        able = [t for t, ran in seen.runs.items() if lines & ran.get(file, set())]
    whole = defaultdict[str, float](float)
    for test in able:
        whole[test.partition("::")[0]] += seen.seconds[test]
    return sorted(
        able, key=lambda t: (whole[t.partition("::")[0]], t.partition("::")[0], seen.seconds[t])
    )


def trial(
    seen: Baseline, name: str, path: Path, source: str, span: tuple[int, int] | None
) -> tuple[str, str]:
    """How a mutant fared.

    ('killed' | 'survived' | 'untested' | 'timeout' | 'crash' | 'trouble', the test that noticed).
    """
    tests = chosen(seen, path, span)
    if not tests:
        return "untested", ""
    by_import = not span or span_at_import(seen, path, span)
    fixtures = (
        {}
        if by_import
        else {n: v for n, (v, files) in seen.fixtures.items() if str(path) not in files}
    )

    def work() -> tuple[str, str]:
        sys.meta_path.insert(0, InMemory(name, path, source))
        choose = _Choose({t: i for i, t in enumerate(tests)}, fixtures, by_import=by_import)
        code = int(
            pytest.main(
                [*PYTEST, "-x", *dict.fromkeys(t.partition("::")[0] for t in tests)],
                plugins=[choose],
            )
        )
        return {0: "survived", 1: "killed", 2: "killed"}.get(code, "trouble"), choose.failed

    answer = in_child(work, 30 + 6 * sum(seen.seconds[t] for t in tests))
    return answer if isinstance(answer, tuple) else (str(answer), "")


def span_at_import(seen: Baseline, path: Path, span: tuple[int, int]) -> bool:
    """Whether a function already runs while modules are imported."""
    return any(span[0] <= line <= span[1] for line in seen.at_import.get(str(path), set()))
