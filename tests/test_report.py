"""The report: its files, that its numbers are the prediction's, that its page is sound, and which way is up."""

from __future__ import annotations

import base64
import csv
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace

import matplotlib
import numpy as np
import pytest
from PIL import Image
from scipy.special import j1

from holo.arrangement import block, from_sites
from holo.bench import bench_warnings, derived_numbers, parse_bench
from holo.design import DesignOptions, design
from holo.errors import InputError, OutputExistsError
from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.mask import phase_of_levels
from holo.report import page as report
from holo.report import panel, pictures, style
from holo.report.page import FILES, check_folder, write_report

TITLE = 'Kagome <b>"1 & 2"</b> $x_{$'
VOID = {"meta", "img", "br", "link", "hr", "input"}


class Page(HTMLParser):
    """The elements of a page, in order, and whether every one of them is closed where it should be."""

    def __init__(self, text):
        super().__init__()
        self.open, self.elements, self.text = [], [], ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open[-1:] != ["style"]:
            self.text += data

    def all(self, tag):
        return [attributes for name, attributes in self.elements if name == tag]


@pytest.fixture(scope="module")
def bench(small_bench_text):
    return parse_bench(small_bench_text(), "bench.toml")


@pytest.fixture(scope="module")
def made(bench):
    """Nine sites and the dark ones around them."""
    arrangement = block(3, 3).with_dark_margin(1, bench.lattice)
    return design(bench, arrangement, options=DesignOptions(effort="quick", seed=1))


@pytest.fixture(scope="module")
def folder(bench, made, tmp_path_factory):
    folder = tmp_path_factory.mktemp("reports") / "report"
    write_report(folder, bench, made.mask, made.prediction, title=TITLE, retrieval=made.retrieval, seconds=1.5)
    return folder


@pytest.fixture(scope="module")
def page(folder):
    return Page((folder / "report.html").read_text(encoding="utf-8"))


@pytest.fixture
def no_pictures(monkeypatch):
    """Leave the pictures out where they do not matter."""
    monkeypatch.setattr(report, "draw", lambda *_: [])


@pytest.fixture(scope="module")
def scene(bench, made):
    return pictures.Scene(
        bench, light_path(bench), made.mask.levels, phase_of_levels(made.mask.levels, bench.panel), made.prediction, np.zeros(1)
    )


def content(folder):
    return {path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in folder.iterdir()}


def test_files(folder):
    names = {path.name for path in folder.iterdir()}
    pictures = {"spots-1.png", "close-1.png", "sites-1.png", "field.png", "histogram.png", "spot.png", "mask.png", "mask-detail.png"}
    assert names == {"report.html", "sites.csv", "summary.json", "convergence.png"} | pictures
    assert names <= set(FILES)
    assert [path.name for path in folder.parent.iterdir()] == ["report"]


def test_sites_are_those_of_the_prediction(folder, bench, made):
    with (folder / "sites.csv").open() as file:
        assert file.readline() == "i,j,x_um,y_um,z_um,target,intensity\n"
        table = np.array([[float(cell) for cell in row] for row in csv.reader(file)])
    sites = made.prediction.sites
    assert table == pytest.approx(np.column_stack([sites.ij, sites.xyz_um, sites.target, made.prediction.intensity]), rel=1e-15, abs=0)
    assert set(table[:, 5]) == {0.0, 1.0}
    again = abs(direct_fields(light_path(bench), phase_of_levels(made.mask.levels, bench.panel), table[:, 2:5])) ** 2
    assert table[:, 6] == pytest.approx(again, rel=1e-9)


def test_summary_is_the_prediction(folder, bench, made):
    summary = json.loads((folder / "summary.json").read_text())
    for key, value in made.prediction.summary().items():
        assert summary[key] == value, key
    assert summary["uniformity"] == made.prediction.figures.uniformity
    assert summary["title"] == TITLE
    assert summary["sites"] == summary["bright"] + summary["dark"] == 21
    assert (summary["iterations"], summary["converged"], summary["seconds"]) == (made.retrieval.iterations, made.retrieval.converged, 1.5)
    assert summary["wanted_uniformity"] == 0.995
    assert summary["power_per_site_mw"] == pytest.approx(2.0 * made.prediction.power_fraction / 9, rel=1e-12)
    assert summary["derived"] == derived_numbers(bench, made.prediction.sites)
    assert summary["warnings"] == bench_warnings(bench, made.prediction.sites)
    assert summary["record"]["seed"] == 1
    assert summary["record"]["bench"]["digest"] == summary["bench_digest"] == bench.digest
    assert "text" not in summary["record"]["bench"]


def test_page_is_sound(page):
    assert ("html", {"lang": "en"}) in page.elements
    assert {"name": "viewport", "content": "width=device-width, initial-scale=1"} in page.all("meta")
    names = [tag for tag, _ in page.elements]
    assert names.count("h1") == names.count("main") == names.count("title") == 1
    assert "script" not in names
    assert all(heading.get("scope") in ("col", "row") for heading in page.all("th"))
    assert all(len(image["alt"]) > 20 for image in page.all("img"))
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    for _, attributes in page.elements:
        for key in ("aria-labelledby", "aria-describedby"):
            assert attributes.get(key, ids[0]) in ids


def test_page_needs_nothing_else(folder, page):
    text = (folder / "report.html").read_text(encoding="utf-8")
    assert not re.search(r"https?:|@import|url\(|//[a-z]", re.sub(r"base64,[\w+/=]+", "", text))
    assert not any("href" in attributes for _, attributes in page.elements)
    shown = {base64.b64decode(image["src"].removeprefix("data:image/png;base64,")) for image in page.all("img")}
    assert shown == {path.read_bytes() for path in folder.glob("*.png")}


def test_pictures_are_pictures(folder):
    for path in folder.glob("*.png"):
        picture = Image.open(path)
        assert 500 < picture.width < 1000
        assert 300 < picture.height < 1400
        assert path.stat().st_size < 500_000
        assert picture.convert("L").getextrema() == (0, 255)


def test_title_is_escaped(folder, page):
    assert TITLE in page.text
    text = (folder / "report.html").read_text(encoding="utf-8")
    assert "<b>" not in text
    assert "<h1>Kagome &lt;b&gt;&#34;1 &amp; 2&#34;&lt;/b&gt; $x_{$</h1>" in text


def test_page_shows_the_figures(page, made):
    figures = made.prediction.figures
    values = re.sub(r"\s+", " ", page.text)
    assert report.near_one(figures.uniformity) in values
    for share in (figures.spread, figures.efficiency, made.prediction.power_fraction, figures.crosstalk_max, figures.crosstalk_mean):
        assert report.percent(share) in values
    for order in figures.crosstalk_by_order:
        assert f"{100 * order.max:.3g}" in values
    assert "laser safety officer" in values
    assert not re.search(r"\b(is|are) safe\b", values.replace("Whether all of it is safe is for your laser safety officer", ""))


def test_worst_sites_come_first(scene):
    rows = report.site_rows(scene)
    assert len(rows) == 21
    fault = [abs(float(row[7])) if row[7] else float(row[8]) for row in rows]
    assert fault == sorted(fault, reverse=True)
    bright = [row for row in rows if row[5] == "1"]
    assert len(bright) == 9
    assert all(row[7] and not row[8] for row in bright)


def test_long_tables_are_cut_and_say_so(scene, monkeypatch):
    monkeypatch.setattr(report, "ROWS", 5)
    assert len(report.site_rows(scene)) == 5
    assert report.sites_note(scene).startswith("The worst 5 of 21 sites, ")


def test_refuses_to_overwrite_before_any_work(folder, bench, made, tmp_path):
    before = content(folder)
    no_mask = SimpleNamespace(levels=None, record={})
    with pytest.raises(OutputExistsError, match=re.escape(f"{folder}: holds report.html already; use --overwrite")):
        write_report(folder, bench, no_mask, made.prediction)
    assert content(folder) == before
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "summary.json").write_text("mine")
    with pytest.raises(OutputExistsError, match=r"holds summary\.json already"):
        check_folder(tmp_path / "mine", overwrite=False)
    check_folder(tmp_path / "mine", overwrite=True)
    (tmp_path / "mine" / "sites.csv").mkdir()
    with pytest.raises(InputError, match=r"sites\.csv: is a folder"):
        check_folder(tmp_path / "mine", overwrite=True)


@pytest.mark.usefixtures("no_pictures")
def test_other_files_of_the_folder_stay(bench, made, tmp_path):
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / "spots-3.png").write_text("of an older report")
    write_report(tmp_path, bench, made.mask, made.prediction, overwrite=True)
    assert {path.name for path in tmp_path.iterdir()} == {"notes.txt", "report.html", "sites.csv", "summary.json"}
    assert (tmp_path / "notes.txt").read_text() == "mine"
    with pytest.raises(OutputExistsError):
        write_report(tmp_path, bench, made.mask, made.prediction)


@pytest.mark.parametrize(
    ("place", "message"),
    [
        ("file", "file: is a file; name a folder"),
        ("file/report", "file/report: there is no folder"),
        ("none/report", "none/report: there is no folder"),
        ("a" * 300, "not a usable folder|cannot be written"),
    ],
)
def test_bad_folders(bench, made, tmp_path, place, message):
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match=message):
        write_report(tmp_path / place, bench, made.mask, made.prediction)
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_nothing_is_left_of_a_report_that_fails(bench, made, tmp_path, monkeypatch):
    def fail(*_):
        raise RuntimeError

    monkeypatch.setattr(report, "_page", fail)
    monkeypatch.setattr(report, "draw", lambda *_: [])
    with pytest.raises(RuntimeError):
        write_report(tmp_path / "report", bench, made.mask, made.prediction)
    monkeypatch.undo()
    monkeypatch.setattr(report, "draw", lambda *_: [SimpleNamespace(name="a" * 300, png=b"", data_uri="", alt="", title="", caption="")])
    with pytest.raises(InputError, match="report: cannot be written"):
        write_report(tmp_path / "report", bench, made.mask, made.prediction)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("no_pictures")
@pytest.mark.parametrize(
    ("converged", "seen", "unseen"),
    [
        (True, "Converged: the search reached the wanted uniformity of 0.995 and darkness in", "--effort high"),
        (False, "short of the wanted uniformity of 0.995 and darkness.", "Converged:"),
        (None, "How the mask was found is not part of this report.", "--effort high"),
    ],
)
def test_verdict(bench, made, tmp_path, converged, seen, unseen):
    found = None if converged is None else SimpleNamespace(iterations=7, converged=converged, history=())
    write_report(tmp_path / "report", bench, made.mask, made.prediction, retrieval=found)
    text = Page((tmp_path / "report" / "report.html").read_text()).text
    assert seen in text
    assert unseen not in text
    assert ("--effort high" in text) == (converged is False)
    assert json.loads((tmp_path / "report" / "summary.json").read_text())["converged"] is converged


@pytest.mark.parametrize(
    ("options", "nudges", "seen"),
    [
        (
            {"effort": "quick"},
            [],
            "; rounding to 212 steps of phase per 2 pi costs the rest, and the effort quick does not trim",
        ),
        ({"effort": "normal"}, [], "; rounding to 212 steps of phase per 2 pi costs what trimming the levels could not win back."),
        ({}, [], "could not win back."),
        ({"effort": "high"}, [{"x_um": 1.0, "y_um": 0.0, "focus_um": 0.0}], "; moving the light after the search, to places of another"),
    ],
)
def test_verdict_says_what_the_search_did_not_lose(scene, options, nudges, seen):
    found = {"wanted_uniformity": 0.999, "uniformity": 0.998, "iterations": 7, "converged": True, "dark": 0}
    lines = report._verdict(scene, {**found, "record": {"options": options, "nudges": nudges}})["lines"]
    assert seen in lines[1]
    lines = report._verdict(scene, {**found, "uniformity": 0.9991, "record": {"options": options, "nudges": nudges}})["lines"]
    assert lines[1] == "The sites are level to a uniformity of 0.99910 as the panel shows them."


def test_the_stages_of_a_search_are_told(made):
    """A search with dark sites goes through all stages, and the caption has a word for each."""
    stages = {stage for stage, _, _ in made.retrieval.history}
    assert stages | {"spread", "trials", "blocks", "panel"} == set(pictures.STAGES)  # every other start leaves the first one out
    with style.look():
        caption = pictures._convergence(made.retrieval, 0.995).caption
    assert {stage for stage, words in pictures.STAGES.items() if f"{stage} {words}" in caption} == stages


def test_light_in_several_planes_may_count_twice(made, bench):
    summary = report.report_summary(bench, made.mask, made.prediction)
    one, several = ({number["name"]: number["meaning"] for number in report._numbers(summary, 2.0, planes)} for planes in (1, 2))
    assert not any("counts in each" in meaning for meaning in one.values())
    assert {name for name in several if "counts in each" in several[name]} == {"efficiency", "power on the sites"}


def test_few_sites_far_apart_are_seen_and_marked(bench):
    """Spots smaller than the cells of the map show in it, and are marked though their dark neighbours lie too close for that."""
    wide = replace(bench, panel=replace(bench.panel, pitch_um=2.0, columns=480, rows=400))
    found = design(wide, from_sites([[-33, -31.7], [30.1, 30], [-32.5, -31.7]], target=[1, 1, 0]), options=DesignOptions(effort="quick"))
    phase = phase_of_levels(found.mask.levels, wide.panel)
    scene = pictures.Scene(wide, light_path(wide), found.mask.levels, phase, found.prediction, np.zeros(1))
    assert "Blue circles mark the 2 bright sites; the 1 dark lie too close to be marked here." in pictures._spots(scene, 0)[0].caption
    light = pictures._light(scene, 0, (-300.0, 300.0, -300.0, 300.0))
    assert light.shape == (640, 640)
    for x, y, _ in found.prediction.sites.xyz_um[:2]:
        row, column = int((y + 300) * 640 / 600), int((x + 300) * 640 / 600)
        # at most 0.22 um away, v = 1.2, an Airy pattern still has 0.70 (Born & Wolf, 7th ed., sec. 8.5.2)
        assert light[row - 1 : row + 2, column - 1 : column + 2].max() > 0.65


@pytest.mark.usefixtures("no_pictures")
def test_another_bench_is_told(small_bench_text, made, tmp_path):
    other = parse_bench(small_bench_text(name="other bench"), "bench.toml")
    summary = write_report(tmp_path / "report", other, made.mask, made.prediction)
    assert summary["warnings"][0] == "the bench of this prediction is not the one that the mask was made for"


def test_planes(bench, tmp_path):
    """Of five planes four are drawn, and the page says so."""
    depths = np.array([-12.0, -6.0, 0.0, 6.0, 12.0])
    arrangement = from_sites([[i % 3, i // 3] for i in range(5)], z_um=depths)
    found = design(bench, arrangement, options=DesignOptions(effort="quick"))
    assert pictures.drawn_depths(found.prediction.sites).tolist() == [-12, -6, 6, 12]
    write_report(tmp_path, bench, found.mask, found.prediction)
    assert {path.name for path in tmp_path.glob("*-4.png")} == {"spots-4.png", "close-4.png", "sites-4.png"}
    text = Page((tmp_path / "report.html").read_text()).text
    assert "The bright sites lie in 5 planes. 4 of them are drawn;" in text
    assert "Light on the sites at z = -12 um" in text


def test_user_settings_of_the_drawing_library_do_not_matter(bench, made, folder, monkeypatch, scene):
    monkeypatch.setitem(matplotlib.rcParams, "font.size", 30.0)
    monkeypatch.setitem(matplotlib.rcParams, "axes.grid", True)
    before = dict(matplotlib.rcParams)
    with style.look():
        assert panel.mask_detail(scene).png == (folder / "mask-detail.png").read_bytes()
    assert dict(matplotlib.rcParams) == before
    assert not any("pyplot" in path.read_text() for path in Path(report.__file__).parent.glob("*.py"))


def test_maps_have_y_down(bench, made, scene):
    """Row 0 is the least y: the brightest sample of the map around one site lies at that site, in x and in y."""
    for x, y, _ in made.prediction.sites.xyz_um[made.prediction.sites.bright]:
        box = (x - 1.4, x + 1.0, y - 0.9, y + 1.3)
        light = pictures._light(scene, 0, box)
        assert light.shape == (587, 640)
        row, column = np.unravel_index(light.argmax(), light.shape)
        assert box[2] + (row + 0.5) * (box[3] - box[2]) / light.shape[0] == pytest.approx(y, abs=0.1)
        assert box[0] + (column + 0.5) * (box[1] - box[0]) / light.shape[1] == pytest.approx(x, abs=0.1)
        assert light.max() == pytest.approx(1, abs=0.05)
    with style.look():
        _, axes = style.plane_axes((1.0, 5.0, 2.0, 4.0))
        assert axes.get_xlim() == (1.0, 5.0)
        assert axes.get_ylim() == (4.0, 2.0)
        left, right, bottom, top = pictures._picture_extent((1.0, 5.0, 2.0, 4.0))
        assert (left, right, bottom, top) == (1.0, 5.0, 4.0, 2.0)
        _, axes = panel._panel_axes(scene, (slice(0, 80), slice(0, 96)))
    assert panel._extent(scene, (slice(0, 1), slice(94, 96))) == pytest.approx((0.46, 0.48, -0.39, -0.40))


def test_overview_has_the_sites_and_their_repeats(scene, bench):
    """The sites where they are, and one field away the same light under another envelope; nothing as bright elsewhere."""
    cells = 90
    field = bench.field_um
    light = panel._overview(scene, 0.0, cells) / scene.unit
    assert light.shape == (2 * cells, 2 * cells)
    size = field / cells

    def near(x, y):
        row, column = int((y + field) / size), int((x + field) / size)
        return light[row - 1 : row + 2, column - 1 : column + 2].max()

    sites = scene.sites
    envelope = scene.path.envelope
    for place in sites.xyz_um[sites.bright]:
        assert 0.7 < near(*place[:2]) < 1.05  # an Airy pattern at half a grid step from the peak, per axis, has 0.73 of it
        for shift in (np.array([field, 0, 0]), np.array([0, field, 0])):
            weaker = float((envelope((place - shift)[None]) / envelope(place[None]))[0] ** 2)
            assert near(*(place - shift)[:2]) == pytest.approx(near(*place[:2]) * weaker, rel=0.25)
    assert near(-9.0, -9.0) < 0.2


def test_spot_of_an_evenly_lit_pupil_is_the_airy_pattern(small_bench_text):
    """[2 J1(v) / v]^2, v = 2 pi NA r / lambda (Born & Wolf, 7th ed., sec. 8.5.2; section from memory), ring by ring."""
    changes = {"light__beam_diameter_mm": 1000.0, "panel__columns": 400, "panel__rows": 400, "optics__relay_magnification": 1.2}
    path = light_path(parse_bench(small_bench_text(**changes), "bench.toml"))
    radius = np.linspace(0, 2.5, 20)
    rings = pictures._rings(path, -path.aberration, np.zeros(3), radius)
    v = 2 * np.pi * 0.6 / 0.7 * np.maximum(radius, 1e-9)
    assert rings == pytest.approx(np.repeat((2 * j1(v) / v)[:, None] ** 2, 16, axis=1), abs=1e-3)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.5, "0.500"),
        (0.9, "0.900"),
        (0.983, "0.983"),
        (0.9973, "0.9973"),
        (0.99993, "0.999930"),
        (0.9999999999, "1.0000000"),
        (1.0, "1.000"),
    ],
)
def test_uniformity_shows_what_it_lacks(value, text):
    assert report.near_one(value) == text


@pytest.mark.parametrize(("value", "text"), [(0.77, "77.0 %"), (1.0, "100 %"), (0.00089, "0.0890 %"), (0.0, "0 %"), (0.012345, "1.23 %")])
def test_percent(value, text):
    assert report.percent(value) == text


def test_crosstalk_below_what_any_panel_does_is_not_spelt_out():
    assert [report.little(share) for share in (0.0, 3e-9, 2e-6, 0.01)] == ["0 %", "under 0.0001 %", "0.000200 %", "1.00 %"]


@pytest.mark.parametrize(
    ("name", "value", "shown"),
    [
        ("airy_radius_um", 0.95338, ("Airy radius", "0.95338 um")),
        ("power_density_w_cm2", 1.3, ("power density", "1.3 W/cm^2")),
        ("lattice_spacing_airy_radii", 5.2445, ("lattice spacing", "5.2445 Airy radii")),
        ("phase_steps_per_2pi", 212.0, ("phase steps per 2pi", "212")),
    ],
)
def test_units_come_out_of_names(name, value, shown):
    assert report.labelled(name, value) == shown


def test_boxes():
    """A margin all around, and no needle-shaped pictures."""
    left, right, top, bottom = pictures._box(np.array([[10.0, 5.0, 0.0], [20.0, 5.0, 0.0]]), 2.0)
    assert (left, right) == pytest.approx((9.0, 21.0))
    assert (top + bottom) / 2 == pytest.approx(5)
    assert bottom - top == pytest.approx(0.55 * 12)
    assert pictures._part((0.0, 10.0, 0.0, 4.0), np.array([9.5, 1.0]), 6.0) == pytest.approx((4.0, 10.0, 0.0, 4.0))


def test_palette_keeps_colours():
    """Each picture has all shades of its map, pure white paper and the colours of the marks."""
    palette = np.array(style.palette("magma")).reshape(256, 3)
    shades = (matplotlib.colormaps["magma"](np.linspace(0, 1, 256))[:, :3] * 255).round()
    assert np.abs(palette[None] - shades[:, None]).max(axis=2).min(axis=1).max() <= 4
    for colour in ((255, 255, 255), (0, 0, 0), (0xF0, 0xE4, 0x42), (0x56, 0xB4, 0xE9)):
        assert (palette == colour).all(axis=1).any()
