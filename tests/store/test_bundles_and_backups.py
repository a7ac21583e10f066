"""A session, and a whole store, in one file: there and back, and what is refused.

The hostile files are made by hand with the standard library's ``zipfile``, after the lists of
attacks on archives (Zip Slip; CWE-22 path traversal; CWE-59 links; CWE-409 zip bombs).
"""

from __future__ import annotations

import hashlib
import io
import json
import stat
import warnings
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from livefit.store.backup import open_store, restore_backup, write_backup
from livefit.store.bundle import read_bundle, write_bundle
from livefit.store.deletion import delete_session
from livefit.store.errors import ArchiveError, StoreError
from livefit.store.integrity import faults
from livefit.store.store import Store
from tests.store.store_examples import a_session

Content = dict[str, bytes]


def filled(store: Store) -> str:
    session = a_session()
    store.add(session)
    store.add_file(session.id, "picture", io.BytesIO(b"picture" * 100), "side.png", "Side")
    store.add_file(session.id, "recording", io.BytesIO(b"frames" * 1000), "ride.mcap")
    return session.id


def test_a_session_travels_with_its_files(store: Store, tmp_path: Path) -> None:
    which = filled(store)
    path = write_bundle(store, which, tmp_path / "out" / "b.zip")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    with open_store(tmp_path / "there") as there:
        read_bundle(there, path)
        assert there.get(which).session == store.get(which).session
        assert there.kept_files() == store.kept_files()
        assert there.files.path(which, "recording", "ride.mcap").read_bytes() == b"frames" * 1000
        assert list(faults(there)) == []
        with pytest.raises(StoreError, match="is in the store already; nothing was changed"):
            read_bundle(there, path)
    with pytest.raises(StoreError, match="is there already; it was left as it is"):
        write_bundle(store, which, path)


def test_a_session_travels_without_its_recordings(local: Store, tmp_path: Path) -> None:
    which = filled(local)
    path = write_bundle(local, which, tmp_path / "b.zip", recordings=False)
    with open_store(tmp_path / "there") as there:
        assert read_bundle(there, path).recordings == []
        assert [kept.name for _, kept in there.kept_files()] == ["side.png"]
        assert list(faults(there)) == []


def test_a_bundle_of_a_changed_file_is_not_made(local: Store, tmp_path: Path) -> None:
    which = filled(local)
    place = local.files.path(which, "picture", "side.png")
    place.write_bytes(b"other")
    with pytest.raises(StoreError, match="is not as it was kept"):
        write_bundle(local, which, tmp_path / "b.zip")
    place.unlink()
    with pytest.raises(StoreError, match="is missing"):
        write_bundle(local, which, tmp_path / "b.zip")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["store"]


def document(**changes: Any) -> bytes:
    made = json.loads(a_session().model_dump_json())
    return json.dumps(made | {"pictures": [], "recordings": []} | changes).encode()


def entry(path: str, data: bytes) -> dict[str, Any]:
    return {"path": path, "size": len(data), "sha256": hashlib.sha256(data).hexdigest()}


def bundle(path: Path, content: Content, manifest: dict[str, Any] | None = None) -> Path:
    """A bundle made by hand; its manifest tells the truth unless another is given."""
    honest: dict[str, Any] = {
        "format": "livefit bundle",
        "version": 1,
        "files": [entry(name, data) for name, data in content.items()],
    }
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in content.items():
            archive.writestr(name, data)
        archive.writestr("manifest.json", json.dumps(honest | (manifest or {})))
    return path


def picture(name: str) -> list[dict[str, str]]:
    return [{"name": name, "title": ""}]


ESCAPES = ["../evil", "pictures/../../evil", "/evil", "pictures\\..\\evil", "C:/evil", "a//b",
           "./evil", "pictures/a\x07b"]  # fmt: skip


@pytest.mark.parametrize("name", ESCAPES)
def test_a_name_that_leads_outside_is_refused(local: Store, tmp_path: Path, name: str) -> None:
    path = bundle(tmp_path / "b.zip", {"session.json": document(), name: b"evil"})
    with pytest.raises(ArchiveError, match=r"b.zip: refused, nothing of it was taken: .*outside"):
        read_bundle(local, path)


def a_link(archive: zipfile.ZipFile) -> None:
    info = zipfile.ZipInfo("pictures/a.png")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    archive.writestr(info, "/etc/passwd")


def a_directory(archive: zipfile.ZipFile) -> None:
    info = zipfile.ZipInfo("pictures/a.png")
    info.external_attr = (stat.S_IFDIR | 0o777) << 16
    archive.writestr(info, b"")


def packed_strangely(archive: zipfile.ZipFile) -> None:
    archive.writestr("pictures/a.png", b"x", zipfile.ZIP_BZIP2)


def twice(archive: zipfile.ZipFile) -> None:
    for _ in range(2):
        archive.writestr("pictures/a.png", b"x")


@pytest.mark.parametrize(
    ("add", "text"),
    [
        (a_link, "is a link or no ordinary file"),
        (a_directory, "is a link or no ordinary file"),
        (packed_strangely, "packed in a way"),
        (twice, "a name comes twice"),
    ],
)
def test_what_is_no_plain_file_is_refused(
    local: Store, tmp_path: Path, add: Callable[[zipfile.ZipFile], None], text: str
) -> None:
    path = bundle(tmp_path / "b.zip", {"session.json": document(pictures=picture("a.png"))})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Of the zipfile module, on the name that comes twice.
        with zipfile.ZipFile(path, "a") as archive:
            add(archive)
    with pytest.raises(ArchiveError, match=text):
        read_bundle(local, path)


WRONG: list[tuple[str, Content, dict[str, Any], str]] = [
    ("no manifest files", {"session.json": document()}, {"files": []}, "manifest and the files"),
    ("other format", {"session.json": document()}, {"format": "livefit backup"}, "expected a live"),
    ("newer", {"session.json": document()}, {"version": 2}, "a newer program made it"),
    ("no format", {"session.json": document()}, {"format": "x"}, "manifest.json: format"),
    ("no document", {"a.json": b"{}"}, {}, "expected session.json"),
    ("no JSON", {"session.json": b"{"}, {}, "Invalid JSON"),
    ("newer document", {"session.json": document(version=2)}, {}, "version: Input should be 1"),
    ("unknown key", {"session.json": document(more=1)}, {}, "more: Extra inputs"),
    ("wrong id", {"session.json": document(id="../../x")}, {}, "id: String should match"),
    ("not named", {"session.json": document(), "pictures/a.png": b"x"}, {}, "does not name"),
    ("no such folder", {"session.json": document(), "x/a": b"x"}, {}, "does not name 'x/a'"),
    ("missing", {"session.json": document(pictures=picture("a.png"))}, {}, "'a.png', which is not"),
    ("deep", {"session.json": document(recordings=["a/b"]), "recordings/a/b": b"x"}, {},
     "a file's name is made of"),
    ("hidden", {"session.json": document(recordings=[".b"]), "recordings/.b": b"x"}, {},
     "a file's name is made of"),
]  # fmt: skip


@pytest.mark.parametrize("wrong", WRONG, ids=[wrong[0] for wrong in WRONG])
def test_a_bundle_that_is_wrong_is_refused_whole(
    local: Store, tmp_path: Path, wrong: tuple[str, Content, dict[str, Any], str]
) -> None:
    _, content, manifest, text = wrong
    with pytest.raises(ArchiveError, match=text):
        read_bundle(local, bundle(tmp_path / "b.zip", content, manifest))
    assert local.sessions() == []
    assert list(local.files.found()) == []


def test_a_wrong_checksum_is_refused_and_leaves_nothing(local: Store, tmp_path: Path) -> None:
    text, good, bad = document(recordings=["a", "b"]), b"x" * 10, b"y" * 10
    files = [entry("session.json", text), entry("recordings/a", good), entry("recordings/b", good)]
    content = {"session.json": text, "recordings/a": good, "recordings/b": bad}
    with pytest.raises(ArchiveError, match="recordings/b: its checksum is not the one"):
        read_bundle(local, bundle(tmp_path / "b.zip", content, {"files": files}))
    assert list(local.files.found()) == []
    with pytest.raises(ArchiveError, match=r"session.json: its checksum is not the one"):
        read_bundle(
            local,
            bundle(tmp_path / "c.zip", {"session.json": text},
                   {"files": [entry("session.json", b"z" * len(text))]}),
        )  # fmt: skip


def test_a_bomb_is_not_unpacked(local: Store, tmp_path: Path) -> None:
    """A gigabyte of zeros packs to a megabyte; promised as a few bytes it stays packed."""
    text = document(recordings=["a"])
    path = bundle(tmp_path / "b.zip", {"session.json": text, "recordings/a": bytes(2**26)})
    raw = bytearray(path.read_bytes())
    with zipfile.ZipFile(path) as archive:
        manifest = archive.getinfo("manifest.json")
        packed = archive.read("manifest.json")
    assert manifest.file_size == len(packed)
    # The directory at the end and the manifest both lie about the size, as a bomb's would.
    lied = {"files": [entry("session.json", text), entry("recordings/a", bytes(10))]}
    path = bundle(path, {"session.json": text, "recordings/a": bytes(2**26)}, lied)
    raw = bytearray(path.read_bytes())
    size = (2**26).to_bytes(4, "little")
    assert raw.count(size) >= 2
    path.write_bytes(bytes(raw).replace(size, (10).to_bytes(4, "little")))
    with pytest.raises(ArchiveError, match=r"recordings/a"):
        read_bundle(local, path)
    assert list(local.files.found()) == []
    whole = bundle(tmp_path / "c.zip", {"session.json": bytes(2**26 + 1)})
    with pytest.raises(ArchiveError, match="of 67108864 bytes at most"):
        read_bundle(local, whole)


@pytest.mark.parametrize("cut", [0, 3, 50, 0.5, 0.9, 0.999])
def test_a_bundle_that_is_cut_off_is_refused(local: Store, tmp_path: Path, cut: float) -> None:
    path = bundle(tmp_path / "b.zip", {"session.json": document()})
    raw = path.read_bytes()
    path.write_bytes(raw[: round(cut if cut > 1 else cut * len(raw))])
    with pytest.raises(ArchiveError, match=r"it is no \.zip, or damaged"):
        read_bundle(local, path)


def test_any_single_byte_changed_is_refused_or_harmless(local: Store, tmp_path: Path) -> None:
    """Every 11th byte turned round: refused, or taken exactly as it was meant."""
    text = document(recordings=["a"])
    path = bundle(tmp_path / "b.zip", {"session.json": text, "recordings/a": b"frames" * 20})
    raw = path.read_bytes()
    wanted = json.loads(text)
    refused = 0
    for at in range(0, len(raw), 11):
        path.write_bytes(raw[:at] + bytes([raw[at] ^ 0xFF]) + raw[at + 1 :])
        try:
            taken = read_bundle(local, path)
        except ArchiveError:
            refused += 1
            assert list(local.files.found()) == []
            continue
        assert json.loads(taken.model_dump_json()) == wanted
        assert local.files.path(taken.id, "recording", "a").read_bytes() == b"frames" * 20
        delete_session(local, taken.id)
    assert refused > len(raw) / 11 / 2


def test_a_bundle_changes_nobody_who_is_known(local: Store, tmp_path: Path) -> None:
    known = a_session()
    local.add(known)
    assert known.bicycle is not None
    rider = known.rider.model_dump(mode="json") | {"name": "Somebody Else"}
    text = document(rider=rider, bicycle=None)
    which = read_bundle(local, bundle(tmp_path / "a.zip", {"session.json": text})).id
    assert local.get(which).session.rider == known.rider
    made = json.loads(document())
    taken = made["bicycle"] | {"id": known.bicycle.id}
    text = document(bicycle=taken | {"rider": made["rider"]["id"]}, rider=made["rider"])
    with pytest.raises(StoreError, match="is another rider's in this store"):
        read_bundle(local, bundle(tmp_path / "b.zip", {"session.json": text}))
    assert [one.name for one in local.riders()] == ["Zoë Probe"]


def test_a_backup_restores_everything_in_either_database(
    store: Store, tmp_path: Path, database: str
) -> None:
    which = filled(store)
    second = a_session("Max Sample", bicycle=None)
    store.add(second)
    path = write_backup(store, tmp_path / "backup.zip")
    wanted = [store.get(each).session for each in (which, second.id)]
    files = store.kept_files()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert restore_backup(path, tmp_path / "restored") == 2
    with open_store(tmp_path / "restored") as there:
        assert [there.get(each.id).session for each in wanted] == wanted
        assert there.kept_files() == files
        assert list(faults(there)) == []
        again = write_backup(there, tmp_path / "again.zip")
    with pytest.raises(StoreError, match="is not empty; a backup is restored into an empty"):
        restore_backup(again, tmp_path / "restored")
    if store.database.file is not None:
        assert restore_backup(again, database, files=tmp_path / "f") == 2
        with open_store(database, files=tmp_path / "f") as there:
            assert [there.get(each.id).session for each in wanted] == wanted
            assert list(faults(there)) == []


def test_a_damaged_backup_leaves_the_store_empty(local: Store, tmp_path: Path) -> None:
    filled(local)
    path = write_backup(local, tmp_path / "backup.zip")
    with zipfile.ZipFile(path) as archive:
        content = {name: archive.read(name) for name in archive.namelist()}
    manifest = json.loads(content.pop("manifest.json"))
    content["rows/session.jsonl"] = content["rows/session.jsonl"].replace(b"Studio", b"studio")
    bad = bundle(tmp_path / "bad.zip", content, manifest)
    with pytest.raises(ArchiveError, match=r"rows/session.jsonl: its checksum"):
        restore_backup(bad, tmp_path / "restored")
    with open_store(tmp_path / "restored") as there:
        assert there.riders() == []
        assert list(there.files.found()) == []
