"""The JSON Schema of the link file says what the reader says, key by key. Judge: PyPI jsonschema."""

from __future__ import annotations

import copy
import dataclasses
import tomllib
from collections.abc import Iterator
from functools import cache

import pytest
from jsonschema import Draft202012Validator
from link_files import BAD, GOOD, name_of, schema_refuses

from linkbudget.errors import SettingsError
from linkbudget.frame.format import FrameFormat
from linkbudget.link.field_keys import FIELD_KINDS
from linkbudget.link.keys import Section, key_specs
from linkbudget.link.model import Link, Message
from linkbudget.link.requirements import REQUIREMENTS
from linkbudget.link.schema import link_schema
from linkbudget.link.tables import FormatKeys, LinkKeys, MessageKeys
from linkbudget.message.fields import FIELD_KINDS as FIELDS

EVERY_KEY = next(path for path in GOOD if path.stem == "every-key")


@cache
def validator() -> Draft202012Validator:
    return Draft202012Validator(link_schema())


def tables_of(path) -> dict:
    return tomllib.loads(path.read_text(encoding="utf-8"))


def test_the_schema_is_a_schema():
    Draft202012Validator.check_schema(link_schema())


@pytest.mark.parametrize("path", GOOD, ids=name_of)
def test_good_files_pass(path):
    validator().validate(tables_of(path))


@pytest.mark.parametrize("path", GOOD, ids=name_of)
def test_what_the_writer_writes_passes(path):
    validator().validate(Link.load(path).to_dict())


@pytest.mark.parametrize("path", BAD, ids=name_of)
def test_bad_files_are_refused_where_one_key_can_tell(path):
    assert validator().is_valid(tables_of(path)) is not schema_refuses(path)


def places(table: object, path: tuple = ()) -> Iterator[tuple]:
    """Every key of nested tables, as the path of keys and indices that leads there."""
    if isinstance(table, dict):
        for key, value in table.items():
            yield (*path, key)
            yield from places(value, (*path, key))
    elif isinstance(table, list):
        for index, value in enumerate(table):
            yield from places(value, (*path, index))


def changed(path: tuple, change) -> dict:
    document = copy.deepcopy(tables_of(EVERY_KEY))
    table = document
    for step in path[:-1]:
        table = table[step]
    change(table, path[-1])
    return document


def misspell(table: dict, key: str) -> None:
    table[key + "x"] = table.pop(key)


def mistype(table: dict, key: str) -> None:
    # Nothing in a link file is a list of a list of tables.
    table[key] = [[{}]]


def refused_by_reader(document: dict) -> bool:
    try:
        Link.from_dict(document)
    except SettingsError:
        return True
    return False


PLACES = list(places(tables_of(EVERY_KEY)))


@pytest.mark.parametrize("change", [misspell, mistype])
@pytest.mark.parametrize("path", PLACES, ids=lambda path: ".".join(map(str, path)))
def test_a_typo_in_any_key_fails_both_ways(path, change):
    document = changed(path, change)
    assert refused_by_reader(document)
    # Which fields there are is known to the reader alone.
    assert validator().is_valid(document) is (path == ("require", "step.beans.x") and change is misspell)


def sections(section: type[Section], seen: set[type[Section]] | None = None) -> Iterator[type[Section]]:
    seen = set() if seen is None else seen
    if section in seen:
        return
    seen.add(section)
    yield section
    for spec in key_specs(section).values():
        if spec.section is not None:
            yield from sections(spec.section, seen)


def definition(section: type[Section]) -> dict:
    schema = link_schema()
    return schema if section is LinkKeys else schema["$defs"][section.__name__.removesuffix("Keys").lower()]


@pytest.mark.parametrize("section", list(sections(LinkKeys)), ids=lambda section: section.__name__)
def test_keys_of_reader_and_schema_are_the_same(section):
    table = definition(section)
    assert list(table["properties"]) == list(key_specs(section))
    assert table["additionalProperties"] is False
    assert table.get("required", []) == [name for name, spec in key_specs(section).items() if spec.required]
    assert all(row["description"] for row in table["properties"].values())


@pytest.mark.parametrize("kind", sorted(FIELD_KINDS))
def test_keys_of_a_field_are_those_of_reader_schema_and_class(kind):
    row = next(
        row for row in link_schema()["$defs"]["field"]["oneOf"] if row["properties"]["kind"]["const"] == kind
    )
    assert set(row["properties"]) == {"kind", *key_specs(FIELD_KINDS[kind])}
    assert set(key_specs(FIELD_KINDS[kind])) == {field.name for field in dataclasses.fields(FIELDS[kind])}
    assert set(FIELD_KINDS) == set(FIELDS)


def test_keys_of_a_frame_format_are_those_of_its_class():
    assert set(key_specs(FormatKeys)) == {field.name for field in dataclasses.fields(FrameFormat)}


def test_keys_of_a_message_are_those_of_its_class_and_layout():
    settings = {field.name for field in dataclasses.fields(Message)} - {"layout"}
    assert set(key_specs(MessageKeys)) == settings | {"name", "fields", "id", "key"}


def test_every_requirement_is_offered():
    assert set(definition(LinkKeys)["properties"]["require"]["properties"]) == {*REQUIREMENTS, "step"}


def test_the_file_with_every_key_has_every_key_of_sections_and_fields():
    """A key that is added to a section has to be added to the file, and so is tested."""
    given = {key for path in PLACES for key in path if isinstance(key, str)}
    optional = key_specs(FIELD_KINDS["optional"])
    wanted = {name for section in sections(LinkKeys) for name in key_specs(section)}
    wanted |= {name for kind in FIELD_KINDS.values() for name in key_specs(kind)} | set(optional)
    # What concerns other delimitings stands in another file.
    assert wanted - given == {"async_map", "leading_delimiter"}
