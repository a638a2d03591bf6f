"""Line numbers of the keys and values of a TOML text, so that an error can point at them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tree_sitter import Node

Path = tuple[str | int, ...]


def key_lines(text: str) -> dict[Path, int]:
    """Return {path of keys and array indices: line number}, such as ("source", 0, "columns", 3, "unit") -> 17."""
    import tree_sitter_toml
    from tree_sitter import Language, Parser

    tree = Parser(Language(tree_sitter_toml.language())).parse(text.encode("utf-8"))
    lines: dict[Path, int] = {(): 1}
    arrays: dict[Path, int] = {}
    for node in tree.root_node.children:
        if node.type == "pair":
            _note_pair(node, (), lines)
        elif node.type in ("table", "table_array_element"):
            _note_table(node, lines, arrays)
    return lines


def _note_table(node: Node, lines: dict[Path, int], arrays: dict[Path, int]) -> None:
    keys = _keys(node.named_children[0])
    path: Path = ()
    for depth, key in enumerate(keys):
        path = (*path, key)
        last = depth == len(keys) - 1
        if last and node.type == "table_array_element":
            arrays[path] = arrays.get(path, -1) + 1
        if path in arrays:
            path = (*path, arrays[path])
    lines.setdefault(path, node.start_point[0] + 1)
    for child in node.named_children[1:]:
        if child.type == "pair":
            _note_pair(child, path, lines)


def _note_pair(node: Node, prefix: Path, lines: dict[Path, int]) -> None:
    key, value = node.named_children[0], node.named_children[-1]
    path = (*prefix, *_keys(key))
    lines[path] = node.start_point[0] + 1
    _note_value(value, path, lines)


def _note_value(node: Node, path: Path, lines: dict[Path, int]) -> None:
    if node.type == "inline_table":
        for child in node.named_children:
            if child.type == "pair":
                _note_pair(child, path, lines)
    elif node.type == "array":
        items = [child for child in node.named_children if child.type != "comment"]
        for index, child in enumerate(items):
            lines[(*path, index)] = child.start_point[0] + 1
            _note_value(child, (*path, index), lines)


def _keys(node: Node) -> list[str]:
    if node.type == "dotted_key":
        return [key for child in node.named_children for key in _keys(child)]
    text = (node.text or b"").decode("utf-8")
    return [text[1:-1] if node.type == "quoted_key" else text]
