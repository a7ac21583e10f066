"""The files that describe faulty sensors."""

from __future__ import annotations

from pathlib import Path

import pytest

from simulators.faults import fault_names, faults_dir, read_fault
from simulators.faulty import journey

SOUND = 'title = "T"\ndescription = "D"\nexpect = []\n'


@pytest.mark.parametrize("name", fault_names())
def test_every_file_can_be_read_and_ridden(name: str) -> None:
    fault = read_fault(name)
    assert fault.name == name
    assert fault.description.endswith(".")
    assert fault.shows_s < fault.seconds
    assert len(journey(fault, seconds=0.2).parcels) > 0


def test_all_files_are_found() -> None:
    assert len(fault_names()) == len(list(faults_dir().iterdir())) > 40


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("title = ", "expected a readable file in TOML"),
        ('title = "T"\nexpect = []', "description: expected this key, found none"),
        (SOUND + 'more = 1', "more: expected no such key, found 1"),
        (SOUND.replace("[]", '["fire"]'), "expect.0: expected 'description_incomplete', "),
        (SOUND + '[source]\nsadle = "7"', "source: expected options of the simulated source, "),
        (SOUND + '[[frames]]\nshare = 0.1', "frames.0.kind: expected the kind of fault, found "),
        (SOUND + '[[frames]]\nkind = "fire"', r"frames.0.kind: expected 'random_loss', "),
        (
            SOUND + '[[frames]]\nkind = "random_loss"\nshare = 2.0',
            "frames.0.random_loss.share: expected less than or equal to 1, found 2.0",
        ),
        (
            SOUND + '[[way]]\nkind = "late"\nshare = 0.1',
            "way.0.late.by_s: expected this key, found none",
        ),
        (SOUND + '[said]\nup = "z"', "said.up: expected '+x', '-x', '+y', '-y', '+z' or '-z', "),
    ],
)  # fmt: skip
def test_a_mistake_is_told_with_file_key_and_what_was_expected(
    tmp_path: Path, text: str, said: str
) -> None:
    path = tmp_path / "own.toml"
    path.write_text(text)
    with pytest.raises(ValueError, match=r"own\.toml") as caught:
        read_fault(str(path))
    assert said in str(caught.value)


def test_a_file_of_ones_own_and_one_that_is_not_there(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(SOUND)
    assert read_fault(str(path)).name == "own"
    with pytest.raises(ValueError, match=r"expected a file with a fault, found none at .*no.toml"):
        read_fault(str(tmp_path / "no.toml"))
