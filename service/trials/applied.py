"""A changed rule set as a folder that can be installed.

What is not changed stays as its author wrote it, comments and layout included. Comments beside what
is changed may go, those in the changes do not come along, and long texts lose their line breaks.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from ruamel.yaml import YAML

from service.ruleset.build import FILES, read_folder
from service.ruleset.catalogue import Source
from service.ruleset.own_cases import read_cases
from service.ruleset.source import Document, read_document
from service.trials.overlay import named_by
from service.trials.sections import CASES


class CannotWrite(ValueError):  # noqa: N818 - what it is
    """A folder that is not written, and why."""


def refuse_taken(folder: Path) -> None:
    """Raise CannotWrite if there is anything at that path."""
    try:
        taken = folder.exists() and (not folder.is_dir() or any(folder.iterdir()))
    except OSError as error:
        raise CannotWrite(f"{folder}: cannot be looked into: {error.strerror}") from None
    if taken:
        raise CannotWrite(f"{folder}: is there already, and not empty; nothing was written")


def with_cases(base: Source, own: Sequence[Document]) -> tuple[Document, ...]:
    """The cases of a changed rule set: those of its base, and in place of namesakes its own.

    Raises:
        RuleSetError: if those of the base cannot be read.
    """
    left = (_without(one, own) for one in read_cases(base.folder))
    return (*(one for one in left if one.data[CASES]), *own)


def _without(cases: Document, own: Sequence[Document]) -> Document:
    """Cases without those that have a namesake among the own ones."""
    replaced = {case["id"] for one in own for case in one.data[CASES]}
    left = [case for case in cases.data[CASES] if case["id"] not in replaced]
    return Document(cases.file, {CASES: left}, {})


def write(
    base: Source,
    documents: Mapping[str, Document],
    own_cases: Sequence[Document],
    folder: Path,
) -> None:
    """Write a folder with the changed documents of a base, its cases, and all else that it has.

    own_cases: those that came with the changes; each document is a file of its own there. The
    folder is whole from the moment that it is there.

    Raises:
        CannotWrite: if there is something already, it cannot be written, or what was written does
            not read the same.
        RuleSetError: if what was written cannot be read: a number, say, that only JSON can hold.
    """
    refuse_taken(folder)
    target = folder.resolve()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory(dir=target.parent, prefix=".") as beside:
            new = Path(beside) / target.name
            _fill(new, base, documents, own_cases)
            new.rename(target)
    except OSError as error:
        raise CannotWrite(f"{folder}: cannot be written: {error.strerror}") from None


def _fill(
    folder: Path, base: Source, documents: Mapping[str, Document], own_cases: Sequence[Document]
) -> None:
    _copy(base.folder, folder)
    for name in FILES:
        _rewrite(folder / f"{name}.yaml", base.documents[name].data, documents[name].data)
    _write_cases(base, own_cases, folder)
    for name, one in read_folder(folder).items():
        _refuse_other(folder / f"{name}.yaml", one.data, documents[name].data)


def _copy(source: Path, target: Path) -> None:
    """All files but hidden ones, such as those that a mounted ConfigMap is made of."""
    for path in source.rglob("*"):
        inside = path.relative_to(source)
        if path.is_file() and not any(part.startswith(".") for part in inside.parts):
            (target / inside).parent.mkdir(parents=True, exist_ok=True)
            (target / inside).write_bytes(path.read_bytes())


def _write_cases(base: Source, own: Sequence[Document], folder: Path) -> None:
    for one in read_cases(base.folder):
        path, left = folder / CASES / Path(one.file).name, _without(one, own)
        if left.data[CASES]:
            _rewrite(path, {CASES: one.data[CASES]}, left.data)
        else:
            path.unlink()
    for one in own:
        stem, number = Path(one.file).stem, 1
        path = folder / CASES / f"{stem}.yaml"
        while path.exists():
            number += 1
            path = path.with_name(f"{stem}-{number}.yaml")
        path.parent.mkdir(exist_ok=True)
        path.write_text(_text(one.data), encoding="utf-8")
        written = read_document(path, f"{folder.name}/{CASES}/{path.name}")
        _refuse_other(path, written.data, one.data)


def _refuse_other(path: Path, written: Any, wanted: Any) -> None:
    if not _same(written, wanted):
        raise CannotWrite(f"{path.name}: would not read the same; nothing was written")


def _rewrite(path: Path, was: Any, now: Any) -> None:
    """Change in a file what is to be another; leave it as it is if nothing is."""
    if _same(was, now):
        return
    text = path.read_text(encoding="utf-8-sig")
    path.write_text(_text(_changed(_yaml().load(text), was, now)), encoding="utf-8")


def _changed(node: Any, was: Any, now: Any) -> Any:
    """A node of a file, which is so far the value `was`, with the value `now`."""
    if isinstance(was, dict) and isinstance(now, dict):
        for key in was.keys() - now.keys():
            del node[key]
        for key, value in now.items():
            if key not in was:
                node[key] = value
            elif not _same(was[key], value):
                node[key] = _changed(node[key], was[key], value)
        return node
    if not (isinstance(was, list) and isinstance(now, list)):
        return now
    by = named_by(was)
    if by is None or by != named_by(now):
        return now
    items = {item[by]: (inner, item) for inner, item in zip(node, was, strict=True)}
    names = [item[by] for item in now]
    for index in reversed(range(len(was))):
        if was[index][by] not in names:
            del node[index]
    for index, item in enumerate(now):
        value = _changed(*items[item[by]], item) if item[by] in items else item
        if index < len(node):
            node[index] = value
        else:
            node.append(value)
    return node


def _same(one: Any, other: Any) -> bool:
    """Whether two values are written alike: 2 and 2.0 are not."""
    return json.dumps(one, sort_keys=True) == json.dumps(other, sort_keys=True)


def _text(document: Any) -> str:
    out = io.StringIO()
    _yaml().dump(document, out)
    return out.getvalue()


def _yaml() -> YAML:
    """A reader and writer that leaves comments, quotes and layout as they are."""
    yaml = YAML()
    yaml.preserve_quotes = True
    yaml.width = 1_000_000
    yaml.indent(mapping=2, sequence=4, offset=2)
    yaml.brace_single_entry_mapping_in_flow_sequence = True
    yaml.representer.ignore_aliases = lambda _: True
    return yaml
