"""What one go night and one site page pass, traced at run time; `house.py` runs this in the tree it looks at.

    python -P tests/bench/house_traced.py [--types]    (from the top of a tree, with it as PYTHONPATH)

A fresh SQLite store with one site and two subscriptions, a mail and a chat, gets one cycle on the day of a
night that all models see clear. Counted are functions and methods of `alerts` and `service` with a name of
their own (no lambda, no comprehension, no `__init__` and the like), threads included; `service.demo`, which
plays the world here, is left out. "With all": lambdas, comprehensions and special methods too.

deciding    from `think` on, without what runs under the asking of the feeds
delivering  under the stage that delivers; "more" are those that deciding doesn't enter
page        one GET of the site's page by its owner, through the test client, the night being decided
types       classes of the product of which something runs (a method, or what makes an instance, be it
            written by a dataclass, a named tuple or a table for itself) on the way of a forecast: under the
            parser of a recorded answer, under keeping and reading its row, and under the chance of a window;
            --types names them
"""

from __future__ import annotations

import importlib
import inspect
import io
import json
import os
import sys
import tempfile
import threading
from collections import Counter, defaultdict
from collections.abc import Callable
from contextlib import redirect_stdout, suppress
from pathlib import Path
from types import CodeType, FrameType, ModuleType
from typing import Any

TREE = Path.cwd()
PLACES = {
    "cycle": ("service.pipeline.run_cycle:run_cycle", "service.cycle.run:run_cycle"),
    "deciding": ("service.pipeline.run_cycle:think", "service.cycle.run:think"),
    "asking": ("service.pipeline.refresh_stage:run", "service.cycle.refresh:run"),
    "delivering": ("service.delivery.dispatcher:run", "service.cycle.deliver:run"),
    "parser": ("service.feeds.met_norway.parse:parse", "service.feeds.metno_answer:parse"),
    "keeping": (
        "service.store.repositories.forecasts:keep_changed",
        "service.store.forecasts:keep_changed",
    ),
    "reading": (
        "service.store.repositories.forecasts:newest_by_place",
        "service.store.forecasts:newest_by_place",
    ),
    "chance": (
        "alerts.weather.chance_columns:look_at_clouds",
        "alerts.weather.chance:look_at_cloud",
        "alerts.weather.clearness:look_at_cloud",
    ),
}
"""Where each begins: the first of these that is there. Who moves or renames one puts its new place first."""
FIXTURES = ("open_world", "owner_browsing")
"""Functions of the tests, found by their names."""
WAY = ("parser", "keeping", "reading", "chance")
SITE_PAGE = "/sites/1"
RECORDED = ("invented-clear-metno.json", "40.31,-1.42", "Europe/Madrid", "2027-07-03", "2027-07-03T18:00Z")
"""A recorded answer, and where and when the command `tonight` reads it."""


class Tracer:
    """A profile function that notes what runs while a part is open, in whatever thread.

    functions: code objects by part. depth: most of them within each other in one thread. types: classes by
    part."""

    def __init__(self, entries: dict[CodeType, str]) -> None:
        self.entries = entries
        self.open: Counter[str] = Counter()
        self.functions: defaultdict[str, set[CodeType]] = defaultdict(set)
        self.depth: Counter[str] = Counter()
        self.types: defaultdict[str, set[type]] = defaultdict(set)
        self._folders = tuple(f"{TREE / package}{os.sep}" for package in ("alerts", "service"))
        self._demo = f"{TREE / 'service' / 'demo'}{os.sep}"
        self._nested = threading.local()

    def __call__(self, frame: FrameType, event: str, _: object) -> None:
        if event not in ("call", "return"):
            return
        code = frame.f_code
        part = self.entries.get(code)
        if part and event == "call":
            self.open[part] += 1
        file = code.co_filename
        if file.startswith(self._folders) and not file.startswith(self._demo):
            self._note(code, event)
            self._note_type(frame)
        elif file.startswith("<"):  # written by a dataclass, a named tuple or a mapped table for itself
            self._note_type(frame)
        if part and event == "return":
            self.open[part] -= 1

    def run(self, part: str, work: Callable[[], Any]) -> Any:
        """Do it, with that part open for all that runs meanwhile; "" for none."""
        self.open[part] += 1
        threading.setprofile(self)
        sys.setprofile(self)
        try:
            return work()
        finally:
            sys.setprofile(None)
            threading.setprofile(None)
            self.open[part] -= 1

    def named(self, part: str) -> set[CodeType]:
        return {code for code in self.functions[part] if _is_named(code)}

    def _note(self, code: CodeType, event: str) -> None:
        nested = self._nested.__dict__
        step = (1 if event == "call" else -1) if _is_named(code) else 0
        for part, count in list(self.open.items()):
            if count < 1 or (part == "deciding" and self.open["asking"]):
                continue
            nested[part] = max(0, nested.get(part, 0) + step)
            self.depth[part] = max(self.depth[part], nested[part])
            self.functions[part].add(code)

    def _note_type(self, frame: FrameType) -> None:
        code = frame.f_code
        first = frame.f_locals.get(code.co_varnames[0]) if code.co_argcount else None
        kind = first if isinstance(first, type) else type(first)
        if kind.__module__.startswith(("alerts.", "service.")) and _is_of(code, kind):
            for part in WAY:
                if self.open[part] > 0:
                    self.types[part].add(kind)


def _is_named(code: CodeType) -> bool:
    return not code.co_name.startswith(("<", "__"))


def _is_of(code: CodeType, kind: type) -> bool:
    """Whether it is a method of that class, and not a function that is given one of its instances."""
    if code.co_filename.startswith("<"):
        return code.co_name.startswith("__") or code.co_name == "<lambda>"
    owner = code.co_qualname.rpartition(".")[0]
    return any(base.__qualname__ == owner for base in kind.__mro__)


def find_entries() -> dict[CodeType, str]:
    entries = {}
    for part, places in PLACES.items():
        found = next(filter(None, map(_function_at, places)), None)
        if found is None:
            sys.exit(f"{part} begins in none of {', '.join(places)}: add its place to PLACES in {__file__}.")
        entries[found.__code__] = part
    return entries


def _function_at(place: str) -> Any:
    module, _, name = place.partition(":")
    try:
        found = importlib.import_module(module)
    except ModuleNotFoundError as error:
        if not module.startswith(error.name or "-"):
            raise
        return None
    return inspect.unwrap(getattr(found, name)) if hasattr(found, name) else None


def find_fixture(name: str) -> tuple[Any, ModuleType]:
    """The function of the tests that is called so, and its module."""
    for file in sorted((TREE / "tests").rglob("*.py")):
        if f"\ndef {name}(" in file.read_text(encoding="utf-8"):
            module = importlib.import_module(".".join(file.relative_to(TREE).with_suffix("").parts))
            return getattr(module, name), module
    sys.exit(f"no test defines {name}: correct FIXTURES in {__file__}.")


def trace_world(tracer: Tracer) -> None:
    """The cycle, and then the page."""
    (open_world, world_module), (owner_browsing, _) = map(find_fixture, FIXTURES)
    now = world_module.GO_TIME
    with tempfile.TemporaryDirectory() as folder:
        store = f"sqlite:///{folder}/house.sqlite3"
        with open_world(Path(folder), store) as world:
            tracer.run("", lambda: world.cycle(now))
            assert world.kinds() == ["go", "go"], world.kinds()
            assert world.statuses() == ["sent", "sent"], world.statuses()
            world.wall = now
            tracer.run("", lambda: _open_page(tracer, owner_browsing(world, shown_at=now)))


def _open_page(tracer: Tracer, browsing: Any) -> None:
    with browsing as browser:
        tracer.open["page"] += 1
        answer = browser.get(SITE_PAGE)
        tracer.open["page"] -= 1
    assert answer.status_code == 200, answer.status_code


def trace_recorded(tracer: Tracer) -> None:
    """The command that judges a night on a recorded answer."""
    from service.cli.main import main as duskbell

    name, place, zone, night, now = RECORDED
    (file,) = (TREE / "tests").rglob(name)
    where = ("--at", place, "--zone", zone, "--date", night, "--as-of", now)
    sys.argv = ["duskbell", "tonight", *where, "--weather", str(file)]
    with tempfile.TemporaryDirectory() as folder, redirect_stdout(io.StringIO()) as said:
        os.environ["DUSKBELL_DATA_DIR"] = folder
        with suppress(SystemExit):
            tracer.run("", duskbell)
    assert "chance" in said.getvalue(), said.getvalue()


def report(tracer: Tracer) -> dict[str, Any]:
    deciding, delivering, page = map(tracer.named, ("deciding", "delivering", "page"))
    after = tracer.named("cycle") - tracer.named("asking") - deciding
    found = {
        "deciding: functions": len(deciding),
        "deciding: with all": len(tracer.functions["deciding"]),
        "deciding: modules": _modules(deciding),
        "deciding: depth": tracer.depth["deciding"],
        "delivering: functions": len(delivering),
        "delivering: functions more": len(delivering - deciding),
        "delivering: modules": _modules(delivering),
        "delivering: depth": tracer.depth["delivering"],
        "from deciding to the cycle's end: functions more": len(after),
        "site page: functions": len(page),
        "site page: with all": len(tracer.functions["page"]),
        "site page: modules": _modules(page),
        "site page: depth": tracer.depth["page"],
        "types on the way of a forecast": len(set().union(*(tracer.types[part] for part in WAY))),
    }
    return found | {f"  under the {part}": len(tracer.types[part]) for part in WAY}


def _modules(functions: set[CodeType]) -> int:
    return len({code.co_filename for code in functions})


def main() -> None:
    shown = "--types" in sys.argv
    tracer = Tracer(find_entries())
    trace_world(tracer)
    trace_recorded(tracer)
    missed = [part for part in PLACES if not tracer.functions[part]]
    assert not missed, f"nothing entered {missed}"
    if shown:
        for part in WAY:
            print(part, *sorted(kind.__qualname__ for kind in tracer.types[part]), file=sys.stderr)
    print(json.dumps(report(tracer)))


if __name__ == "__main__":
    main()
