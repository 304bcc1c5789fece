"""How easily a stranger lives in the code: lines, modules, imports, helpers, and what one night passes.

    python -m tests.bench.house [--tree PATH]... [--catalogue FOLDER] [--json] [--no-trace] [--list FIGURE]

--tree: another checkout, looked at and run with the packages of this Python; several give a column each, so
`--tree ../before --tree .` shows before and after. --catalogue: where the sentences for people have their
place, left out of the prose. --no-trace: only what can be read off the files. --list: where those of one
figure stand, as `file:line what`, in place of the table; of a name, its beginning does.

Counted over all .py files of `alerts` and `service`, by their syntax trees:

product lines       newlines, blank lines, comments and docstrings included
modules             files but for `__init__.py`; loose are those directly in `alerts` or `service`
import circles      groups of modules that reach each other by imports, those inside functions and those for
                    types alone included; in brackets the modules in them. Once more without those for types
upward imports      import statements to an upper layer of ORDER, or from `alerts` to `service`; "n/a" while
                    a layer of the package isn't there
named once          functions and methods with a leading underscore whose name stands once in their file,
                    beside their definition (several of one name in a file: as often as they are), and in no
                    other file's imports. Share: of all functions and methods, nested ones included
six parameters      functions with six or more parameters, `self` and `cls` aside, `*` and `**` included
shared class names  names that several classes have; "classes" is how many share one
SQL outside         calls of `select`, `insert`, `update`, `delete` and `text` of sqlalchemy that stand
                    outside `service/store`, `service/feeds` and `service/channels`
prose               string constants and f-strings with three words in a row: tokens of letters, with an
                    apostrophe or hyphen, or a mark at their end, and spaces between; a value of an f-string
                    stands for a word, but doesn't count as one. Left out: docstrings and other strings that
                    stand alone, arguments of logging calls and of `text`, messages of `assert`, and what
                    starts like markup. "help" are those given as `help=` or `description=`, among them
prose in templates  the same in the text of .html, .txt and .j2 files of `templates` folders, a line or what
                    stands between two tags being one
imports inside      import statements in functions, of whatever
shared file names   modules whose file is called as another's, `__init__.py` aside

What is traced at run time is told in `house_traced.py`.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import re
import subprocess
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

HERE = Path(__file__).parent
PACKAGES = ("alerts", "service")
ORDER = {
    "alerts": (
        *("briefing", "notifying", "track", "judging", "field", "wishes", "weather", "sky", "sites"),
        "common",
    ),
    "service": (
        *("cli", "demo", "runtime", "web", "setup", "pipeline", "reports", "app", "hindsight", "explain"),
        *("delivery", "accounts", "observations", "feeds", "channels", "store", "settings", "common"),
    ),
}
"""The layers of each package, the upper first: imports run to those after."""
SQL_HOMES = ("service/store/", "service/feeds/", "service/channels/")
SQL = {"select", "insert", "update", "delete", "text"}
LOGGING = {"debug", "info", "warning", "error", "exception", "critical", "log"}
LOGGERS = re.compile(r"(?i)(.*_)?log(ger|ging)?$")
CATALOGUE = "alerts/common/catalogue"
MOST_PARAMETERS = 5
IN_A_ROW = 3
WORD = re.compile(r"[(\"'“‘]*[^\W\d_]+(?:['’-][^\W\d_]+)*[.,;:?!)\"'”’…]*")
VALUE = "\0"
"""Stands for a value in a text."""

Function = ast.FunctionDef | ast.AsyncFunctionDef
Text = ast.Constant | ast.JoinedStr
Places = list[str]


@dataclass(frozen=True)
class Module:
    """A file of the product. path: from the top of the tree."""

    path: str
    source: str

    @cached_property
    def tree(self) -> ast.Module:
        return ast.parse(self.source, self.path)

    @cached_property
    def nodes(self) -> list[ast.AST]:
        return list(ast.walk(self.tree))

    @cached_property
    def name(self) -> str:
        return self.path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")

    @property
    def is_package(self) -> bool:
        return self.path.endswith("__init__.py")

    @property
    def functions(self) -> Iterator[Function]:
        return (node for node in self.nodes if isinstance(node, Function))

    def at(self, node: ast.AST, what: object = "") -> str:
        return f"{self.path}:{getattr(node, 'lineno', 1)} {what}".rstrip()


@dataclass(frozen=True)
class Import:
    """An import statement's way to another module of the product. to: the module's name."""

    module: Module
    node: ast.Import | ast.ImportFrom
    to: str
    for_types: bool


def read_modules(tree: Path) -> list[Module]:
    files = [file for package in PACKAGES for file in sorted((tree / package).rglob("*.py"))]
    return [Module(file.relative_to(tree).as_posix(), file.read_text(encoding="utf-8")) for file in files]


def find_imports(modules: Sequence[Module]) -> list[Import]:
    names = {module.name for module in modules}
    found = []
    for module in modules:
        types = {
            inner
            for node in module.nodes
            if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING")
            for part in node.body
            for inner in ast.walk(part)
        }
        for node in module.nodes:
            if isinstance(node, ast.Import | ast.ImportFrom):
                for to in sorted(set(_targets(module, node, names))):
                    found.append(Import(module, node, to, node in types))
    return found


def _targets(module: Module, node: ast.Import | ast.ImportFrom, names: set[str]) -> Iterator[str]:
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names if alias.name in names)
        return
    base = node.module or ""
    if node.level:
        up = module.name.split(".")
        up = up[: len(up) - node.level + module.is_package]
        base = ".".join([*up, *filter(None, [base])])
    for alias in node.names:
        inner = f"{base}.{alias.name}"
        if inner in names or base in names:
            yield inner if inner in names else base


def find_circles(imports: Iterable[Import]) -> list[list[str]]:
    """Groups of modules that reach each other (Tarjan's strongly connected components)."""
    leads: defaultdict[str, set[str]] = defaultdict(set)
    for each in imports:
        if each.to != each.module.name:
            leads[each.module.name].add(each.to)
    number: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    circles: list[list[str]] = []

    def visit(name: str) -> None:
        number[name] = low[name] = len(number)
        stack.append(name)
        for to in sorted(leads.get(name, ())):
            if to not in number:
                visit(to)
            if to in stack:
                low[name] = min(low[name], low[to])
        if low[name] == number[name]:
            group = stack[stack.index(name) :]
            del stack[-len(group) :]
            if len(group) > 1:
                circles.append(sorted(group))

    for name in sorted(leads):
        if name not in number:
            visit(name)
    return circles


def find_upward(modules: Sequence[Module], imports: Iterable[Import]) -> dict[str, Places | None]:
    """By package; None while a layer of it isn't there."""
    names = {module.name for module in modules}
    return {
        package: [each.module.at(each.node, each.to) for each in imports if _is_upward(each, package)]
        if all(f"{package}.{layer}" in names for layer in layers)
        else None
        for package, layers in ORDER.items()
    }


def _is_upward(each: Import, package: str) -> bool:
    if not each.module.name.startswith(f"{package}."):
        return False
    (_, own, *_), (other, *aim) = each.module.name.split("."), each.to.split(".")
    if package != other:
        return package == "alerts"
    order = ORDER[package]
    return own in order and bool(aim) and aim[0] in order and order.index(aim[0]) < order.index(own)


def find_named_once(modules: Sequence[Module]) -> Places:
    imported = Counter(
        alias.name
        for module in modules
        for node in module.nodes
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    )
    found = []
    for module in modules:
        used = Counter(
            node.id if isinstance(node, ast.Name) else node.attr
            for node in module.nodes
            if isinstance(node, ast.Name | ast.Attribute)
        )
        private = [each for each in module.functions if re.match(r"_(?!_)", each.name)]
        same = Counter(each.name for each in private)
        found += [
            module.at(each, each.name)
            for each in private
            if used[each.name] == same[each.name] and not imported[each.name]
        ]
    return found


def count_parameters(function: Function) -> int:
    given = function.args
    named = [*given.posonlyargs, *given.args]
    if named and named[0].arg in ("self", "cls"):
        named = named[1:]
    return len(named) + len(given.kwonlyargs) + bool(given.vararg) + bool(given.kwarg)


def find_shared_names(modules: Sequence[Module]) -> dict[str, Places]:
    by_name: defaultdict[str, Places] = defaultdict(list)
    for module in modules:
        for node in module.nodes:
            if isinstance(node, ast.ClassDef):
                by_name[node.name].append(module.at(node, node.name))
    return {name: places for name, places in sorted(by_name.items()) if len(places) > 1}


def find_sql(modules: Sequence[Module]) -> Places:
    return [
        module.at(node, ast.unparse(node.func))
        for module in modules
        if not module.path.startswith(SQL_HOMES)
        for node in _sql_calls(module)
    ]


def _sql_calls(module: Module) -> list[ast.Call]:
    names = {
        alias.asname or alias.name
        for node in module.nodes
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("sqlalchemy")
        for alias in node.names
        if alias.name in SQL
    }
    packages = {
        alias.asname or alias.name
        for node in module.nodes
        if isinstance(node, ast.Import)
        for alias in node.names
        if alias.name.startswith("sqlalchemy")
    }
    names |= {f"{package}.{name}" for package in packages for name in SQL}
    return [
        node
        for node in module.nodes
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name | ast.Attribute)
        and ast.unparse(node.func) in names
    ]


def find_prose(modules: Sequence[Module], catalogue: str) -> tuple[Places, Places]:
    """All outside the catalogue, and those of them that are help of commands and settings."""
    found, helping = [], []
    for module in modules:
        if module.path.startswith(catalogue.rstrip("/") + "/"):
            continue
        aside = {id(inner) for part in _left_out(module) for inner in ast.walk(part)}
        help_texts = {
            id(inner)
            for node in module.nodes
            if isinstance(node, ast.keyword) and node.arg in ("help", "description")
            for inner in ast.walk(node.value)
        }
        parts = {
            id(inner)
            for node in module.nodes
            if isinstance(node, ast.JoinedStr)
            for inner in ast.iter_child_nodes(node)
        }
        for node in module.nodes:
            if isinstance(node, Text) and id(node) not in aside | parts and is_prose(_text_of(node)):
                place = module.at(node, _text_of(node).replace(VALUE, "{}")[:60].replace("\n", " "))
                found.append(place)
                if id(node) in help_texts:
                    helping.append(place)
    return found, helping


def _left_out(module: Module) -> Iterator[ast.AST]:
    yield from _sql_calls(module)
    for node in module.nodes:
        if isinstance(node, ast.Expr) and isinstance(node.value, Text):
            yield node
        elif isinstance(node, ast.Assert) and node.msg:
            yield node.msg
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            on = node.func.value
            name = on.attr if isinstance(on, ast.Attribute) else getattr(on, "id", "")
            if node.func.attr in LOGGING and LOGGERS.match(name):
                yield node


def _text_of(node: ast.AST) -> str:
    if isinstance(node, ast.JoinedStr):
        return "".join(_text_of(part) for part in node.values)
    value = node.value if isinstance(node, ast.Constant) else VALUE
    return value if isinstance(value, str) else ""


def is_prose(text: str) -> bool:
    """Whether three words stand in a row, values between them aside; markup is none."""
    if text.lstrip().startswith("<"):
        return False
    row = 0
    for token in text.split():
        if WORD.fullmatch(token):
            row += 1
        elif VALUE not in token:
            row = 0
        if row == IN_A_ROW:
            return True
    return False


def find_template_prose(tree: Path) -> Places:
    found = []
    for package in PACKAGES:
        for file in sorted((tree / package).rglob("templates/**/*")):
            if file.suffix in (".html", ".txt", ".j2"):
                text = re.sub(
                    r"(?s)\{#.*?#\}|<(script|style)\b.*?</\1>", "", file.read_text(encoding="utf-8")
                )
                text = re.sub(r"(?s)\{%.*?%\}", "\n", re.sub(r"(?s)\{\{.*?\}\}", VALUE, text))
                pieces = re.split(r"(?s)<[^>]*>" if "<" in text else r"\n", text)
                where = file.relative_to(tree).as_posix()
                found += [f"{where} {' '.join(each.split())[:60]}" for each in pieces if is_prose(each)]
    return found


def find_inner_imports(modules: Sequence[Module]) -> Places:
    found = {
        (module.path, inner.lineno): ast.unparse(inner)
        for module in modules
        for function in module.functions
        for inner in ast.walk(function)
        if isinstance(inner, ast.Import | ast.ImportFrom)
    }
    return [f"{path}:{line} {what}" for (path, line), what in sorted(found.items())]


def measure_files(tree: Path, catalogue: str) -> tuple[dict[str, str], dict[str, Places]]:
    """The figures that can be read off the files, and where those stand that have places."""
    modules = read_modules(tree)
    files = [module for module in modules if not module.is_package]
    functions = [(module, each) for module in modules for each in module.functions]
    imports = find_imports(modules)
    circles = find_circles(imports)
    running = find_circles(each for each in imports if not each.for_types)
    upward, named_once = find_upward(modules, imports), find_named_once(modules)
    shared = find_shared_names(modules)
    prose, helping = find_prose(modules, catalogue)
    called = Counter(Path(module.path).name for module in files)
    loose = {package: [m.path for m in files if m.path.count("/") == 1 and m.path.startswith(package)]
             for package in PACKAGES}  # fmt: skip
    places: dict[str, Places] = {
        "modules loose at the top": [path for paths in loose.values() for path in paths],
        "import circles": [" ".join(circle) for circle in circles],
        "circles without imports for types": [" ".join(circle) for circle in running],
        "upward imports": [place for found in upward.values() for place in found or ()],
        "private helpers named once": named_once,
        "functions of six parameters or more": [
            module.at(each, f"{each.name} {count_parameters(each)}")
            for module, each in functions
            if count_parameters(each) > MOST_PARAMETERS
        ],
        "class names shared": [place for places in shared.values() for place in places],
        "SQL statements outside store, feeds, channels": find_sql(modules),
        "prose literals outside the catalogue": prose,
        "prose in templates": find_template_prose(tree),
        "imports inside functions": find_inner_imports(modules),
        "modules that share a file name": [m.path for m in files if called[Path(m.path).name] > 1],
    }
    figures = {name: str(len(found)) for name, found in places.items()}
    figures["modules loose at the top"] = " + ".join(f"{len(paths)} {name}" for name, paths in loose.items())
    figures["import circles"] = _say_circles(circles)
    figures["circles without imports for types"] = _say_circles(running)
    figures["upward imports"] = " + ".join(
        f"{'n/a' if found is None else len(found)} {name}" for name, found in upward.items()
    )
    figures["private helpers named once"] += f" = {100 * len(named_once) / len(functions):.1f} %"
    figures["class names shared"] = f"{len(shared)} ({figures['class names shared']} classes)"
    figures["prose literals outside the catalogue"] += (
        f" in {_count_files(prose)} files ({len(helping)} help)"
    )
    first = {
        "product lines": str(sum(module.source.count("\n") for module in modules)),
        "modules": str(len(files)),
        "functions and methods": str(len(functions)),
    }
    return first | figures, places


def _say_circles(circles: Sequence[Sequence[str]]) -> str:
    return f"{len(circles)} ({sum(map(len, circles))} modules)"


def _count_files(places: Places) -> int:
    return len({place.partition(":")[0] for place in places})


def measure_run(tree: Path) -> dict[str, str]:
    """What is traced, in a process of its own that has that tree as its own."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("DUSKBELL_")}
    environment["PYTHONPATH"] = str(tree)
    script = [sys.executable, "-P", str(HERE / "house_traced.py")]
    ran = subprocess.run(script, cwd=tree, env=environment, capture_output=True, text=True, check=False)
    if ran.returncode:
        sys.exit(f"tracing {tree} failed:\n{ran.stderr}")
    return {name: str(figure) for name, figure in json.loads(ran.stdout.splitlines()[-1]).items()}


def say_table(columns: Mapping[str, Mapping[str, str]]) -> None:
    names = list(dict.fromkeys(name for figures in columns.values() for name in figures))
    wide = [max(map(len, [title, *figures.values()])) for title, figures in columns.items()]
    rows = [("", *columns), *((name, *(each.get(name, "") for each in columns.values())) for name in names)]
    first = max(map(len, names))
    for name, *cells in rows:
        shown = "  ".join(cell.ljust(width) for cell, width in zip(cells, wide, strict=True))
        print(f"{name:{first}}  {shown}".rstrip())


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--tree", type=Path, action="append", help="another checkout; again for more columns")
    parser.add_argument("--catalogue", default=CATALOGUE, help="folder of the sentences for people")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--no-trace", action="store_true", help="only what can be read off the files")
    parser.add_argument("--list", metavar="FIGURE", help="where those of this figure stand")
    asked = parser.parse_args()
    columns: dict[str, dict[str, str]] = {}
    for given in asked.tree or [Path()]:
        tree = given.resolve() if asked.tree else HERE.parents[1]
        figures, places = measure_files(tree, asked.catalogue)
        if asked.list:
            _say_places(places, asked.list)
        else:
            columns[str(given)] = figures if asked.no_trace else figures | measure_run(tree)
    if asked.json:
        print(json.dumps(columns))
    elif not asked.list:
        say_table(columns)


def _say_places(places: Mapping[str, Places], figure: str) -> None:
    found = next((name for name in places if name.lower().startswith(figure.lower())), None)
    if found is None:
        sys.exit(f"No figure with places begins so. Those that have: {', '.join(places)}.")
    print(*places[found], sep="\n")


if __name__ == "__main__":
    main()
