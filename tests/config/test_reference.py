"""Every key of a bench file is described: meaning, unit, default and allowed values."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Annotated, Any

import pytest
from pydantic import BaseModel, Field

from autoalign.cli import main
from autoalign.config import bench_keys, reference
from autoalign.config.optics_tables import Table
from autoalign.config.quantities import Duration
from autoalign.config.reference import NOT_DESCRIBED, Key, Section
from autoalign.config.tables import BenchTables
from autoalign.plugins import names, plugin


def models_of(annotation: Any) -> set[type[BaseModel]]:
    """Return every model that an annotation mentions, and those inside these."""
    found: set[type[BaseModel]] = set()
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        found.add(annotation)
        for info in annotation.model_fields.values():
            found |= models_of(info.annotation)
        return found
    for inner in getattr(annotation, "__args__", ()):
        found |= models_of(inner)
    return found


def described() -> list[tuple[Section, Key]]:
    """Return every key with its section."""
    return [(section, key) for section in bench_keys() for key in section.keys]


def test_no_model_of_the_file_or_of_a_driver_is_left_out() -> None:
    """Every field of every table that checks a bench file is in the reference."""
    models = models_of(BenchTables)
    for group in ("stages", "detectors"):
        for name in names(group):
            models |= models_of(plugin(group, name).settings)
    printed = {key.name for _, key in described()}
    printed |= {re.sub(r"\W.*", "", s.title.strip("[")) for s in bench_keys()}
    wanted = {field for model in models for field in model.model_fields} - {"axes"}
    assert len(wanted) > 80
    assert wanted <= printed


@pytest.mark.parametrize(("section", "key"), described(), ids=lambda x: getattr(x, "name", ""))
def test_every_key_has_a_sentence_a_kind_and_a_default(section: Section, key: Key) -> None:
    """A sentence of at least three words, a type or unit, and what holds if it is left out."""
    assert len(key.description.split()) >= 3
    assert key.description != NOT_DESCRIBED
    assert key.description[0].isupper()
    assert key.description.endswith((".", "]", "}"))
    assert key.kind not in ("", "a value")
    assert key.default
    assert section.description


def test_quantities_name_their_units_and_bounds_their_limits() -> None:
    """A length says mm, an angle mrad, a bounded number its bounds, a default its unit."""
    keys = {(s.title, k.name): k for s, k in described()}
    assert "mm" in keys["[optic]", "reflected_focal_length"].kind
    assert "mrad" in keys["[optic]", "off_axis_angle"].kind
    assert keys["[source]", "na"].allowed == "larger than 0 and smaller than 1"
    assert keys["[bench]", "settle"].default == '"0.1 s"'
    assert keys["[optic]", "pivot"].default == '["0 mm", "0 mm", "-25 mm"]'
    assert keys["[planes]", "NAME"].default == "required"
    assert '"multimode"' in keys["[source]", "emission"].kind


def test_an_undescribed_key_would_be_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """A key without a description shows as such, so the test above can fail."""

    class Bare(Table):
        """Planted."""

        wait: Duration = 0.2
        name: Annotated[str, Field(min_length=1)]

    class File(Table):
        """Planted."""

        planted: Bare

    monkeypatch.setattr(reference, "BenchTables", File)
    (section,) = bench_keys()
    wait, name = section.keys
    assert (wait.default, wait.description) == ('"0.2 s"', NOT_DESCRIBED)
    assert (name.default, name.allowed) == ("required", "not empty")


def test_the_command_prints_every_key(capsys: pytest.CaptureFixture[str]) -> None:
    """For a person, and as JSON; both from the same list."""
    assert main(["plugins", "--keys"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert main(["plugins", "--keys", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert [s["title"] for s in facts] == [s.title for s in bench_keys()]
    for section, key in described():
        assert section.title in text
        assert f"{key.name}: " in text


def test_a_schema_holds_the_same_sentences(run_schema: Callable[[], Any]) -> None:
    """An editor shows the sentence of a key while it is typed."""
    optic = run_schema()["$defs"]["OpticTable"]["properties"]
    assert "centre of the mirror" in optic["reflected_focal_length"]["description"]


@pytest.fixture
def run_schema(capsys: pytest.CaptureFixture[str]) -> Callable[[], Any]:
    """Return the schema as the command prints it."""

    def printed() -> Any:
        assert main(["plugins", "--schema"]) == 0
        return json.loads(capsys.readouterr().out)

    return printed
