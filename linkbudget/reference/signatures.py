"""How a name is called: its signature as written in the source, a line for each parameter when it is long."""

from __future__ import annotations

import ast
import dataclasses
import enum
import inspect
from typing import Any

from linkbudget.reference.names import PACKAGE, Entry, function_of, source_of

__all__ = ["Signature", "attribute_docs", "signature_of", "signature_of_member"]

ONE_LINE = 84


@dataclasses.dataclass(frozen=True)
class Signature:
    """The words before the name, the parameters as written, and what comes back."""

    before: str
    name: str
    parameters: tuple[str, ...] | None
    returns: str = ""

    @property
    def is_long(self) -> bool:
        """True when it does not fit into one line."""
        return self.parameters is not None and len(str(self)) > ONE_LINE

    def __str__(self) -> str:
        inside = "" if self.parameters is None else f"({', '.join(self.parameters)})"
        arrow = " -> " if self.parameters is not None else ": "
        return f"{self.before}{self.name}{inside}" + (f"{arrow}{self.returns}" if self.returns else "")


def signature_of(entry: Entry) -> Signature:
    """Return the signature of a function, or of what makes an object of a class."""
    node = source_of(f"{PACKAGE}.{entry.module}").get(entry.name)
    if not inspect.isclass(entry.value):
        assert isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef), entry.name
        return _of_node("", entry.name, node)
    return Signature("class ", entry.name, _constructor(entry.value))


def signature_of_member(name: str, value: Any) -> Signature:
    """Return the signature of a method or the type of a property."""
    function = function_of(value)
    home = source_of(function.__module__)
    node = home[function.__qualname__]
    assert isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef), name
    if isinstance(value, property) or hasattr(value, "func"):
        return Signature("", name, None, ast.unparse(node.returns) if node.returns else "")
    words = {classmethod: "classmethod ", staticmethod: "staticmethod "}.get(type(value), "")
    return _of_node(words, name, node, drop_first=not isinstance(value, staticmethod))


def attribute_docs(kind: type) -> dict[str, str]:
    """Return the strings that stand below the attributes of a class, by attribute."""
    node = source_of(kind.__module__).get(kind.__qualname__)
    found: dict[str, str] = {}
    for before, after in zip(getattr(node, "body", [])[:-1], getattr(node, "body", [])[1:], strict=True):
        if not (isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)):
            continue
        target = before.targets[0] if isinstance(before, ast.Assign) else getattr(before, "target", None)
        if isinstance(target, ast.Name) and isinstance(after.value.value, str):
            found[target.id] = inspect.cleandoc(after.value.value)
    return found


def _constructor(kind: type) -> tuple[str, ...] | None:
    """The parameters that make an object; None where users do not make one themselves."""
    if issubclass(kind, enum.Enum) or getattr(kind, "_is_protocol", False):
        return None
    if dataclasses.is_dataclass(kind) and "__init__" not in _written(kind):
        return tuple(_of_fields(kind))
    for base in kind.__mro__:
        node = _written(base).get("__init__") if base.__module__.partition(".")[0] == PACKAGE else None
        if node is not None:
            return tuple(_parameters(node.args)[1:])
    return None


def _written(kind: type) -> dict[str, ast.FunctionDef]:
    if kind.__module__.partition(".")[0] != PACKAGE:
        return {}
    node = source_of(kind.__module__).get(kind.__qualname__)
    return {one.name: one for one in getattr(node, "body", []) if isinstance(one, ast.FunctionDef)}


def _of_fields(kind: type) -> list[str]:
    made, keyword = [], False
    # `kw_only` fields come last in the signature.
    fields = [field for field in dataclasses.fields(kind) if field.init]
    for field in sorted(fields, key=lambda field: field.kw_only is True):
        if field.kw_only and not keyword:
            made.append("*")
            keyword = True
        written = _default(kind, field.name)
        made.append(f"{field.name}: {field.type}" + (f" = {written}" if written else ""))
    return made


def _default(kind: type, name: str) -> str:
    """The default of a field as it is written, empty without one; what a factory makes is not shown."""
    for base in kind.__mro__:
        if base.__module__.partition(".")[0] != PACKAGE:
            continue
        for node in getattr(source_of(base.__module__).get(base.__qualname__), "body", []):
            if not (isinstance(node, ast.AnnAssign) and ast.unparse(node.target) == name):
                continue
            if not (isinstance(node.value, ast.Call) and ast.unparse(node.value.func) == "field"):
                return ast.unparse(node.value) if node.value else ""
            given = {one.arg: ast.unparse(one.value) for one in node.value.keywords}
            return given.get("default", "…" if "default_factory" in given else "")
    return ""


def _of_node(
    before: str, name: str, node: ast.FunctionDef | ast.AsyncFunctionDef, drop_first: bool = False
) -> Signature:
    parameters = _parameters(node.args)
    drop = 1 if drop_first and parameters else 0
    returns = ast.unparse(node.returns) if node.returns else ""
    return Signature(before, name, tuple(parameters[drop:]), returns)


def _parameters(args: ast.arguments) -> list[str]:
    plain = [*args.posonlyargs, *args.args]
    defaults: list[ast.expr | None] = [None] * (len(plain) - len(args.defaults))
    defaults += args.defaults
    made = [_parameter(arg, default) for arg, default in zip(plain, defaults, strict=True)]
    if args.posonlyargs:
        made.insert(len(args.posonlyargs), "/")
    if args.vararg:
        made.append("*" + _parameter(args.vararg, None))
    elif args.kwonlyargs:
        made.append("*")
    made += [_parameter(arg, default) for arg, default in zip(args.kwonlyargs, args.kw_defaults, strict=True)]
    if args.kwarg:
        made.append("**" + _parameter(args.kwarg, None))
    return made


def _parameter(arg: ast.arg, default: ast.expr | None) -> str:
    text = f"{arg.arg}: {ast.unparse(arg.annotation)}" if arg.annotation else arg.arg
    return text if default is None else f"{text} = {ast.unparse(default)}"
