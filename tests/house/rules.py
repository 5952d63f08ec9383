"""The rules of the house as functions over a tree of sources; each gives what breaks it, a line each.

`tests/house/test_architecture.py` holds the project to them, and feeds each of them a tree that breaks it.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path


@dataclass(frozen=True)
class Import:
    """`name`: the dotted module, or module and name, that is imported; `target`: the module of the tree that
    it is, if it is one."""

    name: str
    line: int
    target: str | None


@dataclass(frozen=True)
class Module:
    name: str  # as it is imported: web/app.py is cliplib_web.app
    path: Path
    root: Path = field(repr=False)

    @cached_property
    def tree(self) -> ast.Module:
        return ast.parse(self.path.read_text(encoding="utf-8"))

    def at(self, line: int) -> str:
        return f"{self.path.relative_to(self.root).as_posix()}:{line}"


class House:
    """The modules under `cliplib/` and `web/` of a folder, and what they import; also inside functions and
    under TYPE_CHECKING."""

    def __init__(self, root: Path):
        self.modules: dict[str, Module] = {}
        for top, called in (("cliplib", "cliplib"), ("web", "cliplib_web")):
            for path in sorted((root / top).rglob("*.py")):
                parts = [called, *path.relative_to(root / top).with_suffix("").parts]
                name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
                self.modules[name] = Module(name, path, root)

    def imports(self, module: Module) -> Iterable[Import]:
        package = module.name.split(".")
        if module.path.name != "__init__.py":
            package = package[:-1]
        for node in ast.walk(module.tree):
            if isinstance(node, ast.Import):
                for alias in node.names:
                    yield Import(alias.name, node.lineno, self._module(alias.name))
            elif isinstance(node, ast.ImportFrom):
                base = package[: len(package) - node.level + 1] if node.level else []
                stem = ".".join([*base, *((node.module or "").split(".") if node.module else [])])
                for alias in node.names:
                    name = f"{stem}.{alias.name}"
                    yield Import(name, node.lineno, self._module(name) or self._module(stem))

    def _module(self, name: str) -> str | None:
        return name if name in self.modules else None


def circles(house: House) -> list[str]:
    """Modules that import each other in a ring, however long."""
    arrows = {
        name: sorted({i.target for i in house.imports(module) if i.target and i.target != name})
        for name, module in house.modules.items()
    }
    return [f"a circle of imports: {', '.join(sorted(ring))}" for ring in _rings(arrows)]


def _rings(arrows: Mapping[str, Sequence[str]]) -> list[list[str]]:
    """Strongly connected parts of more than one module (Tarjan 1972, without recursion)."""
    number: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    found: list[list[str]] = []
    for start in arrows:
        work = [(start, iter(arrows[start]))] if start not in number else []
        if work:
            number[start] = low[start] = len(number)
            stack.append(start)
        while work:
            name, rest = work[-1]
            following = next((n for n in rest if n not in number or n in stack), None)
            if following is None:
                work.pop()
                if work:
                    low[work[-1][0]] = min(low[work[-1][0]], low[name])
                if low[name] == number[name]:
                    place = stack.index(name)
                    ring = stack[place:]
                    del stack[place:]
                    if len(ring) > 1:
                        found.append(ring)
            elif following in number:
                low[name] = min(low[name], number[following])
            else:
                number[following] = low[following] = len(number)
                stack.append(following)
                work.append((following, iter(arrows[following])))
    return found


def upward(house: House, floors: Sequence[str]) -> list[str]:
    """Imports of a package or module that stands later in `floors` (dotted names, from the ground up), and
    modules that stand nowhere in it. The one that says most decides: `cliplib.library.desk` before
    `cliplib.library`."""
    found = []
    for module in house.modules.values():
        mine = _floor(module.name, floors)
        if mine is None:
            found.append(f"{module.at(1)}: {module.name} stands on no floor; add its package to FLOORS")
            continue
        for one in house.imports(module):
            theirs = _floor(one.target, floors) if one.target else None
            if theirs is not None and theirs > mine:
                found.append(f"{module.at(one.line)}: must not import {one.name}, which stands above it")
    return found


def _floor(name: str, floors: Sequence[str]) -> int | None:
    fitting = [f for f in floors if name == f or name.startswith(f"{f}.")]
    return floors.index(max(fitting, key=len)) if fitting else None


def past_the_door(house: House, offered: Iterable[str]) -> list[str]:
    """Imports in the command line and the pages of what `cliplib` does not offer; names that it offers asked
    for elsewhere than at the door; and the desk of a library, which is its services' own."""
    offered = {f"cliplib.{name}" for name in offered}
    found = []
    for module in house.modules.values():
        own = next((p for p in ("cliplib.cli", "cliplib_web") if _floor(module.name, [p]) == 0), None)
        if own is None:
            continue
        for one in house.imports(module):
            top = one.name.split(".")[0]
            inside = _floor(one.name, [own]) is not None
            if top not in ("cliplib", "cliplib_web") or inside or one.name in offered:
                continue
            found.append(f"{module.at(one.line)}: imports {one.name}; cliplib/__init__.pyi lists what may be")
        found += [
            f"{module.at(node.lineno)}: reaches for the desk; ask a service of the library"
            for node in ast.walk(module.tree)
            if isinstance(node, ast.Attribute) and node.attr == "desk"
        ]
    return found


def takes_the_library(house: House, library: str, assembles: Sequence[str]) -> list[str]:
    """Modules of the library's package, but those that assemble it, that import the library itself."""
    package = library.rsplit(".", 1)[0]
    return [
        f"{module.at(one.line)}: a service takes the desk, not the library"
        for module in house.modules.values()
        if module.name.startswith(f"{package}.") and module.name not in assembles
        for one in house.imports(module)
        if one.target == library
    ]


PUBLIC_ALL_THE_SAME = {"_asdict", "_fields", "_replace", "_make", "_fields_", "_exit"}
"""Names that the standard library offers with a line before them: named tuples, ctypes structures, os._exit."""


def private(house: House) -> list[str]:
    """Private parts of others: `x._name` where x is not oneself and the module defines no such name, and
    imports of another module's private names. A line with `# private:` says why it may."""
    found = []
    for module in house.modules.values():
        lines = module.path.read_text(encoding="utf-8").splitlines()
        for line, what in _reaches(module):
            if "# private:" not in lines[line - 1]:
                found.append(f"{module.at(line)}: reaches into a private part: {what}")
    return found


def private_in_tests(root: Path) -> list[str]:
    """The same for the tests under a folder; there one comment `# Private parts: why` is enough for a module."""
    found = []
    for path in sorted((root / "tests").rglob("*.py")):
        module = Module(path.stem, path, root)
        reached = list(_reaches(module))
        if reached and "\n# Private parts: " not in path.read_text(encoding="utf-8"):
            line, what = reached[0]
            found.append(f"{module.at(line)}: reaches into a private part, and no comment says why: {what}")
    return found


def _reaches(module: Module) -> Iterable[tuple[int, str]]:
    own = _own_names(module.tree)
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Attribute) and _is_private(node.attr):
            itself = isinstance(node.value, ast.Name) and node.value.id in ("self", "cls")
            if not itself and node.attr not in own and node.attr not in PUBLIC_ALL_THE_SAME:
                yield node.lineno, ast.unparse(node)
        elif (
            isinstance(node, ast.ImportFrom)
            and node.module is not None
            and any(_is_private(a.name) and not _is_extension(a.name, module) for a in node.names)
        ):
            yield node.lineno, ast.unparse(node)


def _is_private(name: str) -> bool:
    return name.startswith("_") and not name.startswith("__") and name != "_"


def _is_extension(name: str, module: Module) -> bool:
    """A compiled module of the same package."""
    return (module.path.parent / f"{name.removeprefix('_')}.c").is_file()


def _own_names(tree: ast.Module) -> set[str]:
    """Private names that the module's own classes and functions have."""
    own = {
        node.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "self"
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            own.add(node.name)
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            own.add(node.target.id)
        elif isinstance(node, ast.Assign):
            own |= {t.id for t in node.targets if isinstance(t, ast.Name)}
    return own


def away_from_home(house: House, homes: Mapping[str, Sequence[str]]) -> list[str]:
    """Third-party tools that are imported elsewhere than in their homes: files, or folders ending in `/`.
    Homes that import no such tool (any more) are told too."""
    found, used = [], set()
    for module in house.modules.values():
        place = module.at(0).rpartition(":")[0]
        for one in house.imports(module):
            top = one.name.split(".")[0]
            if top not in homes:
                continue
            fitting = [h for h in homes[top] if place == h or (h.endswith("/") and place.startswith(h))]
            used |= {(top, home) for home in fitting}
            if not fitting:
                found.append(f"{module.at(one.line)}: {top} is imported only in {', '.join(homes[top])}")
    found += [
        f"{home} is named as a home of {tool} and does not import it"
        for tool, places in homes.items()
        for home in places
        if (tool, home) not in used
    ]
    return found
