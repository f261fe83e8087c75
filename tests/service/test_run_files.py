"""Files for a phone: photographs kept with a run, its papers and its export."""

from __future__ import annotations

import asyncio
import hashlib
import io
import threading
import zipfile
from collections.abc import Awaitable, Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest
from PIL import Image

from evenwall.cli.runs import export_runs, import_runs, report_run
from evenwall.errors import EvenwallError, InputError
from evenwall.history.photos import MOST, photos_of
from evenwall.history.recorded import Recorded
from evenwall.model import Plan
from evenwall.planning import make_plan
from evenwall.records.journal import Journal
from evenwall.reports.papers import plan_pdf, run_pdf
from evenwall.run.events import Photographed
from evenwall.service.facade import Service
from evenwall.service.run_files import Papers
from evenwall_bridge.clock import run_virtual
from tests.support.virtual_shop import lantern_plan, open_shop

PLACE = 0x8825  # GPSInfo, Exif 2.32
TURNED = 0x0112  # Orientation; 6: the top of the scene is at the right of the picture


def phone_picture(path: Path, width: int = 3000, height: int = 1500) -> None:
    """A photograph as a phone writes it: with its place and time, and turned on its side."""
    picture = Image.new("RGB", (width, height), (200, 180, 150))
    picture.paste((30, 30, 30), (0, 0, width // 10, height))
    exif = Image.Exif()
    exif[TURNED] = 6
    exif[0x0132] = "2026:01:05 09:00:00"
    exif.get_ifd(PLACE)[1] = "N"
    picture.save(path, exif=exif)


def papers() -> Papers:
    def drawn(kind: str, *_: object) -> bytes:
        return kind.encode()

    return Papers(partial(drawn, "plan"), partial(drawn, "run"), partial(drawn, "wall"))


def with_run(folder: Path, scenario: Callable[[Service, str], Awaitable[None]]) -> None:
    """Run this with a service whose record, in a file, holds one run that was given up."""
    (folder / "library").mkdir()

    async def work() -> None:
        async with open_shop(record=folder / "record.sqlite") as shop:
            planner = partial(make_plan, time_budget_s=0.0)
            service = Service(
                shop.supervisor,
                folder / "library",
                planner,
                papers=papers(),
                photos=folder / "photos",
            )
            try:
                await shop.ask("start", plan=lantern_plan())
                run_id = service.snapshot().run_id
                assert run_id is not None
                await shop.ask("abandon", reason="enough for a test")
                await scenario(service, run_id)
            finally:
                await service.close()

    run_virtual(work())


def test_photo_is_kept_without_what_the_phone_wrote_into_it(tmp_path: Path) -> None:
    async def scenario(service: Service, run_id: str) -> None:
        upload = service.library.folder / "photo-1.jpg"
        phone_picture(upload)
        words = {"what": "bubbles", "text": "near the foot"}
        answer = await service.files.add_photo(run_id, upload.name, words, "phone:key-00001")
        assert answer.accepted
        assert answer.sentence == "Photograph kept. Bubbles: near the foot."
        assert not upload.exists()
        again = await service.files.add_photo(run_id, upload.name, words, "phone:key-00001")
        assert again.repeated
        events = [e for e in await service.events(run_id) if e.kind == "photographed"]
        assert len(events) == 1
        photo = Photographed.model_validate(events[0].data)
        path = await service.files.photo(run_id, photo.file)
        assert hashlib.sha256(path.read_bytes()).hexdigest() == photo.sha256
        with Image.open(path) as kept:
            assert not kept.getexif()
            assert kept.size == (photo.width_px, photo.height_px) == (1000, 2000)
            assert kept.getpixel((500, 50))[0] < 60  # the dark edge is on top now: it was turned
        lines = [line.text for line in await service.record(run_id)]
        assert answer.sentence in lines
        with pytest.raises(InputError, match="no photograph"):
            await service.files.photo(run_id, "0" * 16 + ".jpg")

    with_run(tmp_path, scenario)


def test_what_is_no_picture_is_refused_and_nothing_is_written(tmp_path: Path) -> None:
    async def scenario(service: Service, run_id: str) -> None:
        files, folder = service.files, service.library.folder
        (folder / "photo-2.jpg").write_bytes(b"GIF89a" + bytes(100))
        with pytest.raises(InputError, match="must be a JPEG, PNG or WebP picture"):
            await files.add_photo(run_id, "photo-2.jpg", {}, "phone:key-00002")
        with pytest.raises(InputError, match="no such picture was sent"):
            await files.add_photo(run_id, "photo-3.jpg", {}, "phone:key-00003")
        with pytest.raises(InputError, match="no such run"):
            await files.add_photo("elsewhere", "photo-2.jpg", {}, "phone:key-00004")
        with pytest.raises(InputError, match="must be small letters"):
            await files.add_photo(run_id, "../photo-2.jpg", {}, "phone:key-00005")
        assert not any(e.kind == "photographed" for e in await service.events(run_id))

    with_run(tmp_path, scenario)


def test_a_run_keeps_so_many_photographs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("evenwall.service.run_files.MOST", 1)

    async def scenario(service: Service, run_id: str) -> None:
        for number in (1, 2):
            upload = service.library.folder / f"photo-{number}.jpg"
            phone_picture(upload, 60 + number, 40)
            adding = service.files.add_photo(run_id, upload.name, {}, f"phone:key-0000{number}")
            if number == 1:
                assert (await adding).accepted
            else:
                with pytest.raises(InputError, match="a run keeps at most 1"):
                    await adding

    assert MOST > 1
    with_run(tmp_path, scenario)


def test_a_photograph_does_not_wait_for_a_paper(tmp_path: Path) -> None:
    kept = threading.Event()

    def slow(*_: object) -> bytes:
        return b"plan" if kept.wait(120.0) else b"the photograph waited"

    async def scenario(service: Service, run_id: str) -> None:
        service.files._papers = replace(papers(), plan=slow)
        paper = asyncio.create_task(service.files.plan_paper(run_id))
        upload = service.library.folder / "photo-1.jpg"
        phone_picture(upload, 60, 40)
        answer = await service.files.add_photo(run_id, upload.name, {}, "phone:key-00001")
        kept.set()
        assert answer.accepted
        assert await paper == b"plan"

    with_run(tmp_path, scenario)


def test_papers_are_drawn_one_after_another_and_bounded(tmp_path: Path) -> None:
    async def scenario(service: Service, run_id: str) -> None:
        assert await service.files.plan_paper(run_id) == b"plan"
        assert await service.files.run_paper(run_id) == b"run"
        with pytest.raises(InputError, match="wall was not computed"):
            await service.files.wall_picture(run_id)
        service.files._waiting = 100
        with pytest.raises(EvenwallError, match="Too many documents"):
            await service.files.plan_paper(run_id)
        service.files._waiting = 0

    with_run(tmp_path, scenario)


def test_export_and_report_take_the_photographs_along(tmp_path: Path) -> None:
    found: list[bytes] = []

    async def scenario(service: Service, run_id: str) -> None:
        upload = service.library.folder / "photo-1.jpg"
        phone_picture(upload, 600, 400)
        await service.files.add_photo(run_id, upload.name, {"what": "gloss"}, "phone:key-00001")
        found.append(await service.files.export(run_id))

    with_run(tmp_path, scenario)
    with zipfile.ZipFile(io.BytesIO(found[0])) as archive:
        archive.extractall(tmp_path / "out")
    (exported,) = (tmp_path / "out").iterdir()
    assert {path.name for path in exported.iterdir()} == {
        "run.json",
        "datapackage.json",
        "events.csv",
        "samples.csv",
        "photos",
    }
    journal = Journal(tmp_path / "record.sqlite")
    run = Recorded.read(journal, exported.name)
    (photo,) = photos_of(run)
    report_run(journal, run.run_id, tmp_path / "run.html")
    assert "Gloss" in (tmp_path / "run.html").read_text(encoding="utf-8")
    assert export_runs(journal, run.run_id, tmp_path / "by-cli", ("csv",))
    journal.close()
    (tmp_path / "other").mkdir()
    other = Journal(tmp_path / "other" / "record.sqlite")
    import_runs(other, exported)
    other.close()
    assert (tmp_path / "other" / "photos" / photo.file).is_file()
    # The report says that a photograph was changed, and the export refuses it.
    (tmp_path / "photos" / photo.file).write_bytes(b"another")
    journal = Journal(tmp_path / "record.sqlite")
    report_run(journal, run.run_id, tmp_path / "run.html")
    assert "was changed" in (tmp_path / "run.html").read_text(encoding="utf-8")
    with pytest.raises(InputError, match="was changed after it was recorded"):
        export_runs(journal, run.run_id, tmp_path / "again", ("csv",))
    journal.close()


def test_papers_are_pdf(tmp_path: Path) -> None:
    plan: Plan = lantern_plan()
    assert plan_pdf(plan).startswith(b"%PDF-")
    runs: list[bytes] = []

    async def scenario(service: Service, run_id: str) -> None:
        run = await service.files._read(lambda journal: Recorded.read(journal, run_id))
        picture = tmp_path / "cut.jpg"
        phone_picture(picture, 600, 400)
        runs.append(run_pdf(run, None, [(str(picture), "The cut edge"), ("", "Gloss: gone")]))

    with_run(tmp_path, scenario)
    assert runs[0].startswith(b"%PDF-")
    (tmp_path / "run.pdf").write_bytes(runs[0])
