"""The bench file: what is read, what follows from it, what is warned of and what is refused."""

from __future__ import annotations

import re
import struct
import tomllib
import zlib
from types import SimpleNamespace

import numpy as np
import pytest
import tifffile
from scipy.special import jn_zeros

from holo.bench import (
    AIRY_RADIUS,
    bench_warnings,
    demo_bench_text,
    derived_numbers,
    parse_bench,
    pixel_envelope,
    power_density_w_cm2,
    read_bench,
)
from holo.errors import InputError
from holo.files import digest_of


def sites(*xy, target=1.0):
    """Sites as the sites of an arrangement look to the bench: places and targets."""
    xyz = np.column_stack([np.array(xy, float), np.zeros(len(xy))])
    return SimpleNamespace(xyz_um=xyz, target=np.broadcast_to(np.asarray(target, float), len(xy)))


# --- what is read -------------------------------------------------------------------------------------------------------------


def test_demo_bench_is_read_key_by_key(demo_bench):
    written = tomllib.loads(demo_bench_text())
    for table in ("light", "panel", "optics", "camera"):
        record = getattr(demo_bench, table)
        assert {key: getattr(record, key) for key in written[table]} == {
            key: tuple(value) if isinstance(value, list) else value for key, value in written[table].items()
        }
    assert demo_bench.name == "demo bench"
    assert demo_bench.lattice.vectors_um.tolist() == [[5, 0], [0, 5]]
    assert demo_bench.lattice.origin_um.tolist() == [60, 40]
    assert demo_bench.optics.aberration == ()
    assert demo_bench.text == demo_bench_text()
    assert demo_bench.files == {}
    assert demo_bench.digest == digest_of(demo_bench_text().encode())


def test_commented_keys_of_the_demo_bench_work(tmp_path):
    """Every key that the starter file shows as a comment is one that the reader knows."""
    text = demo_bench_text().replace("columns = 1200\nrows = 1000", "columns = 110\nrows = 100").replace("0.48 ", "4.8 ")
    text = text.replace("# power_limit_w_cm2 = ", "power_limit_w_cm2 = 2.5 #")
    for dropped in ("beam_diameter_mm", "level_for_2pi"):
        text = text.replace(f"\n{dropped}", f"\n# {dropped}")
    for added in ("beam_tiff", "response_csv", "flatness_tiff", "[optics.aberration]", "5 = 0.05"):
        text = text.replace(f"\n# {added}", f"\n{added}")
    tifffile.imwrite(tmp_path / "beam.tiff", np.ones((100, 110), np.uint8))
    tifffile.imwrite(tmp_path / "flatness.tiff", np.full((100, 110), 0.5, np.float32))
    (tmp_path / "response.csv").write_text("level,phase_rad\n0,0.1\n255,7.5\n")
    (tmp_path / "bench.toml").write_text(text)
    bench = read_bench(tmp_path / "bench.toml")
    assert bench.light.beam_diameter_mm is bench.panel.level_for_2pi is None
    assert bench.light.beam.dtype == np.float32
    assert (bench.light.beam == 1).all()
    assert (bench.panel.flatness == 0.5).all()
    assert bench.panel.response.tolist() == [[0, 0.1], [255, 7.5]]
    assert bench.panel.power_limit_w_cm2 == 2.5
    assert bench.optics.aberration == ((5, 0.05),)
    assert set(bench.files) == {"beam.tiff", "flatness.tiff", "response.csv"}
    assert bench.files["response.csv"] == digest_of(b"level,phase_rad\n0,0.1\n255,7.5\n")


def test_optional_keys(small_bench):
    bench = small_bench(panel__fill_factor=None, optics__medium_index=None, panel__power_limit_w_cm2=None)
    assert (bench.panel.fill_factor, bench.optics.medium_index, bench.light.beam_centre_mm) == (1, 1, (0, 0))
    assert bench.camera is bench.panel.frame_rate_hz is bench.panel.settling_ms is bench.panel.power_limit_w_cm2 is None


def test_response_is_sorted_and_may_fall(small_bench, tmp_path):
    (tmp_path / "curve.csv").write_text("phase_rad,level\n0,255\n3,120\n3,100\n6.3,0\n")
    panel = small_bench(panel__level_for_2pi=None, panel__response_csv="curve.csv").panel
    assert panel.response.tolist() == [[0, 6.3], [100, 3], [120, 3], [255, 0]]
    assert panel.phase_steps == pytest.approx(255 * 2 * np.pi / 6.3)


def test_response_of_all_levels_needs_no_last_step(small_bench, tmp_path):
    """256 levels over 2 pi end one step below 2 pi, as level_for_2pi = 256 does."""
    level = np.arange(256)
    rows = "\n".join(f"{i},{2 * np.pi * i / 256:.3f}" for i in level)
    (tmp_path / "curve.csv").write_text(f"level,phase_rad\n{rows}\n")
    assert small_bench(panel__level_for_2pi=None, panel__response_csv="curve.csv").panel.phase_steps == pytest.approx(256, abs=0.1)


def test_aberration_is_ordered_by_index(small_bench):
    aberration = {"11": 0.02, "5": -0.05, "120": 1}
    assert small_bench(optics__aberration=aberration).optics.aberration == ((5, -0.05), (11, 0.02), (120, 1))


def test_digest_follows_text_and_side_files_but_not_the_folder(small_bench_text, tmp_path):
    text = small_bench_text(panel__flatness_tiff="maps/flat.tiff")
    for folder, value in (("a", 0.1), ("b", 0.1), ("c", 0.2)):
        (tmp_path / folder / "maps").mkdir(parents=True)
        tifffile.imwrite(tmp_path / folder / "maps" / "flat.tiff", np.full((80, 96), value, np.float32), metadata=None)
        (tmp_path / folder / "bench.toml").write_text(text)
    a, b, c = (read_bench(tmp_path / folder / "bench.toml") for folder in "abc")
    assert a.digest == b.digest != c.digest
    assert list(a.files) == ["maps/flat.tiff"]
    assert parse_bench(text + "# a note\n", tmp_path / "a" / "bench.toml").digest != a.digest


def test_absolute_side_file(small_bench, tmp_path):
    tifffile.imwrite(tmp_path / "flat.tiff", np.zeros((80, 96), np.float64))
    outside = str(tmp_path / ".." / tmp_path.name / "flat.tiff")
    assert list(small_bench(panel__flatness_tiff=outside).files) == ["../" + tmp_path.name + "/flat.tiff"]


def test_pictures_are_read_only(small_bench, tmp_path):
    tifffile.imwrite(tmp_path / "beam.tiff", np.ones((80, 96), np.float16))
    beam = small_bench(light__beam_diameter_mm=None, light__beam_tiff="beam.tiff").light.beam
    with pytest.raises(ValueError, match="read-only"):
        beam[0, 0] = 2


# --- what follows --------------------------------------------------------------------------------------------------------------


def test_airy_radius():
    """First zero of J1 over 2 pi: 0.609835 lambda/NA (Born & Wolf, Principles of Optics, 7th ed., sec. 8.5.2)."""
    assert pytest.approx(jn_zeros(1, 1)[0] / (2 * np.pi), rel=1e-9) == AIRY_RADIUS


def test_derived_numbers_of_the_demo_bench(demo_bench):
    """Worked by hand from the file: f = 4 mm / 0.48, pupil 2 NA f, field lambda f / pitch, and so on."""
    numbers = derived_numbers(demo_bench)
    expected = {
        "effective_focal_length_mm": 8.333333,
        "focal_cell_x_um": 0.938 * 8333.3333 / 12000,
        "focal_cell_y_um": 0.938 * 8333.3333 / 10000,
        "airy_radius_um": 0.953375,
        "depth_of_focus_um": 2.605556,
        "field_um": 781.6667,
        "lattice_spacing_um": 5.0,
        "lattice_spacing_airy_radii": 5.244526,
        "pupil_diameter_mm": 10.0,
        "pupil_diameter_pixels": 1000.0,
        "phase_steps_per_2pi": 212.0,
        "undiffracted_share_estimate": 0.0049,
    }
    assert {key: numbers[key] for key in expected} == pytest.approx(expected, rel=1e-6)
    assert set(numbers) - set(expected) == {"power_share_in_pupil", "power_density_w_cm2"}


def test_numbers_of_sites_and_limit(small_bench):
    bench = small_bench(panel__power_limit_w_cm2=4.0)
    numbers = derived_numbers(bench, sites((6, 4), (-9, 20)))
    assert numbers["farthest_site_um"] == 20
    u = np.array([9, 20]) * 10 * np.sqrt(0.93) / (0.7 * 4000 / 6)
    assert numbers["lowest_envelope"] == pytest.approx(np.prod((np.sin(np.pi * u) / (np.pi * u)) ** 2))
    assert numbers["power_density_share_of_limit"] == pytest.approx(numbers["power_density_w_cm2"] / 4)


def test_power_density_of_a_gaussian_beam(small_bench):
    """2 P / (pi w^2) for a beam that falls on the panel as a whole (Siegman, Lasers, ch. 17)."""
    assert power_density_w_cm2(small_bench(light__beam_diameter_mm=0.4, panel__pitch_um=10)) == pytest.approx(
        2 * 2e-3 / (np.pi * 0.02**2), rel=0.005
    )


def test_power_density_of_a_measured_beam(small_bench, tmp_path):
    beam = np.zeros((80, 96), np.float32)
    beam[40:44, 40:45] = 3
    tifffile.imwrite(tmp_path / "beam.tiff", beam)
    bench = small_bench(light__beam_diameter_mm=None, light__beam_tiff="beam.tiff")
    assert power_density_w_cm2(bench) == pytest.approx(2e-3 / (20 * 0.001**2))


def test_power_share_is_what_the_pupil_passes(small_bench):
    """1 - exp(-2 a^2/w^2) through a circular aperture (Siegman, Lasers, ch. 17); edge pixels leave a little."""
    fine = {"panel__columns": 500, "panel__rows": 480, "panel__pitch_um": 2.0}
    numbers = derived_numbers(small_bench(light__beam_diameter_mm=0.5, optics__numerical_aperture=0.375, **fine))
    assert numbers["power_share_in_pupil"] == pytest.approx(1 - np.exp(-2), abs=1e-3)


def test_undiffracted_light_of_gaps(small_bench):
    """A blaze on square pixels with gaps of constant phase, finely sampled: the order 0 has (1 - F)^2 of the light."""
    fine = np.zeros((8, 25), complex)  # a period of 8 pixels along x, 24 of 25 samples of each pixel active
    fine[:, :24] = np.exp(2j * np.pi * np.arange(8) / 8)[:, None]
    fine[:, 24] = 1
    active_rows, gap_rows = fine.mean() * 24 / 25, 1 / 25
    order = abs(active_rows + gap_rows) ** 2
    numbers = derived_numbers(small_bench(panel__fill_factor=(24 / 25) ** 2))
    assert numbers["undiffracted_share_estimate"] == pytest.approx(order, rel=1e-9)


def test_envelope_needs_no_depth():
    """sinc^2 at the edge and in the corner of the field of full pixels: 0.405285 and 0.164256."""
    points = np.array([[50.0, 0.0], [50.0, -50.0]])
    assert pixel_envelope(points, 2 * np.pi / 1000, 10.0) ** 2 == pytest.approx([0.405285, 0.164256], abs=1e-6)


# --- what is warned of ---------------------------------------------------------------------------------------------------------


def test_no_warning_without_a_reason(small_bench):
    assert bench_warnings(small_bench(), sites((6, 4), (9, 4), (6, 7))) == []


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"light__wavelength_nm": 701.0},
            "701 nm is outside the visible .* cannot be seen.*eyewear.*laser safety officer.*data sheets.*local",
        ),
        ({"light__wavelength_nm": 399.0}, "399 nm is outside the visible"),
        ({"panel__power_limit_w_cm2": None}, r"limit of power density is not given: the beam peaks at 1\.\d+ W/cm\^2.*data sheet"),
        ({"light__power_mw": 20.0}, r"peaks at 1\d\.\d W/cm\^2 on the panel, above the limit of 2 W/cm\^2"),
        ({"lattice__vectors_um": [[0.7, 0], [0, 3]]}, r"spacing of 0\.7 um is below the resolution \(Airy radius 0\.7115 um\).*crosstalk"),
        ({"panel__rows": 70}, r"pupil reaches beyond the panel \(radius 0\.4 mm, half the panel's shorter side 0\.35 mm\)"),
        ({"optics__numerical_aperture": 0.2}, r"only 2\d\.\d% of the power .* overfills"),
    ],
)
def test_bench_warnings(small_bench, changes, words):
    found = bench_warnings(small_bench(**changes))
    assert len(found) == 1
    assert re.search(words, found[0])


@pytest.mark.parametrize(
    ("places", "words"),
    [
        ([(6, 4), (0, -23.4), (24, 4)], [r"2 of 3 sites \(the first at \(0, -23\.4\) um\) lie beyond the field .* 23\.33 um to each side"]),
        ([(6, 4), (1.0, 1.0)], ["1 of 2 .*within 1.42 um of the undiffracted spot"]),
        ([(6, 4), (9, 4), (-6, -5)], [r"2 of 3 .*\(6, 4\) um\) lie within 1.42 um of the ghost \(-x, -y\)"]),
        ([(0.1, 0.2)], ["1 of 1 .*undiffracted", "1 of 1 .*ghost"]),
    ],
)
def test_site_warnings(small_bench, places, words):
    found = bench_warnings(small_bench(), sites(*places))
    assert len(found) == len(words)
    assert all(re.search(word, text) for word, text in zip(words, found, strict=True))


def test_dark_sites_throw_no_ghost(small_bench):
    assert bench_warnings(small_bench(), sites((6, 4), (-9, -4), (9, 4), target=[1, 1, 0]))[0].startswith(
        "1 of 3 sites (the first at (9, 4)"
    )
    assert bench_warnings(small_bench(), sites((6, 4), (-6, -4), target=0.0)) == []


def test_dark_sites_in_the_light_of_a_bright_one_are_told(small_bench):
    """Half the Airy radius is 0.36 um, and the first dark point on the axis 2 lambda / NA^2 = 3.9 um away."""
    found = bench_warnings(small_bench(), sites((6, 4), (6.3, 4), (9, 4), (6.4, 4), target=[1, 0, 1, 0]))
    assert len(found) == 1
    assert re.match(r"1 of 4 sites \(the first at \(6\.3, 4\) um\) lie so close to a bright site .* cannot be kept dark", found[0])
    deep = sites((6, 4), (6, 4), (6, 4), target=[1, 0, 0])
    deep.xyz_um[:, 2] = 0, 1.9, 2.0
    assert bench_warnings(small_bench(), deep)[0].startswith("1 of 3 sites")


def test_warnings_never_call_anything_safe(demo_bench):
    texts = bench_warnings(demo_bench, sites((0, 0), (500, 0)))
    assert len(texts) == 5
    assert not any(re.search(r"\b(is|are) safe\b|harmless|no danger", text) for text in texts)


# --- what is refused ------------------------------------------------------------------------------------------------------------

BROKEN = [
    # the file as a whole
    ({"name": None}, r"name: missing; needed: a text"),
    ({"name": 3}, r"name: found 3; allowed: a text of 1 to 500 characters"),
    ({"light": None}, r"light: missing; needed: a table \[light\]"),
    ({"panel": None}, r"panel: missing; needed: a table \[panel\]"),
    ({"optics": None}, r"optics: missing; needed: a table \[optics\]"),
    ({"lattice": None}, r"lattice: missing; needed: a table \[lattice\]"),
    ({"light": 5}, r"light: found 5; allowed: a table \[light\]"),
    ({"optic": {"a": 1}}, r"optic: unknown key, .*nearest known key: 'optics'; allowed keys: name, panel"),
    # light
    ({"light__wavelength_nm": None}, r"light\.wavelength_nm: missing; needed: a number from 200 to 3000"),
    ({"light__wavelength_nm": 938e-9}, r"light\.wavelength_nm: found 9\.38e-07; allowed: a number from 200 to 3000"),
    ({"light__wavelength_nm": "938"}, r"light\.wavelength_nm: found '938'; allowed"),
    ({"light__wavelength_nm": True}, r"light\.wavelength_nm: found True; allowed"),
    ({"light__wavelenght_nm": 938.0}, r"light\.wavelenght_nm: unknown key.*nearest known key: 'wavelength_nm'"),
    ({"light__power_mw": 0}, r"light\.power_mw: found 0; allowed: a number above 0 up to 1e\+06"),
    ({"light__power_mw": -400.0}, r"light\.power_mw: found -400\.0; allowed"),
    ({"light__beam_diameter_mm": None}, r"light\.beam_diameter_mm: missing; needed: one of beam_diameter_mm, beam_tiff"),
    (
        {"light__beam_diameter_mm": None, "light__beam_diametre_mm": 9.0},
        r"light\.beam_diameter_mm: missing; .*is 'beam_diametre_mm' meant to be it\?",
    ),
    ({"light__beam_diameter_mm": 0}, r"light\.beam_diameter_mm: found 0; allowed: a number from 0\.01 to 1000"),
    ({"light__beam_tiff": "beam.tiff"}, r"light\.beam_tiff: found beside beam_diameter_mm; allowed: only one of"),
    ({"light__beam_centre_mm": [0.0]}, r"light\.beam_centre_mm: found \[0\.0\]; allowed: 2 numbers"),
    ({"light__beam_centre_mm": [0.0, "1"]}, r"light\.beam_centre_mm: found \[0\.0, '1'\]; allowed: 2 numbers"),
    ({"light__beam_centre_mm": [500.0, 0.0]}, r"light: found no light inside the pupil; allowed: a beam that reaches the pupil"),
    # panel
    ({"panel__columns": None}, r"panel\.columns: missing; needed: a whole number from 1 to 16384"),
    ({"panel__columns": 96.0}, r"panel\.columns: found 96\.0; allowed: a whole number from 1 to 16384"),
    ({"panel__rows": 0}, r"panel\.rows: found 0; allowed: a whole number from 1 to 16384"),
    ({"panel__rows": 20000}, r"panel\.rows: found 20000; allowed"),
    ({"panel__rows": 16384, "panel__columns": 16384}, r"panel\.columns: found 16384 x 16384 pixels; allowed: at most 67108864"),
    ({"panel__pitch_um": 1e-5}, r"panel\.pitch_um: found 1e-05; allowed: a number from 1 to 100"),
    ({"panel__levels": 255}, r"panel\.levels: found 255; allowed: a whole number from 256 to 65536"),
    ({"panel__levels": 65537}, r"panel\.levels: found 65537; allowed"),
    ({"panel__level_for_2pi": None}, r"panel\.level_for_2pi: missing; needed: one of level_for_2pi, response_csv"),
    ({"panel__level_for_2pi": 257}, r"panel\.level_for_2pi: found 257; allowed: a number from 2 to 256"),
    ({"panel__level_for_2pi": 0}, r"panel\.level_for_2pi: found 0; allowed: a number from 2 to 256"),
    ({"panel__response_csv": "curve.csv"}, r"panel\.response_csv: found beside level_for_2pi; allowed: only one of"),
    ({"panel__fill_factor": 93}, r"panel\.fill_factor: found 93; allowed: a number from 0\.1 to 1"),
    ({"panel__frame_rate_hz": 0}, r"panel\.frame_rate_hz: found 0; allowed: a number from 0\.1 to 100000"),
    ({"panel__settling_ms": -1}, r"panel\.settling_ms: found -1; allowed: a number from 0 to 10000"),
    ({"panel__power_limit_w_cm2": 0}, r"panel\.power_limit_w_cm2: found 0; allowed: a number above 0"),
    ({"panel__level_for_2_pi": 3}, r"panel\.level_for_2_pi: unknown key.*nearest known key: 'level_for_2pi'"),
    ({"panel__flatness_tiff": "none.tiff"}, r"panel\.flatness_tiff: found 'none\.tiff', but there is no file .*none\.tiff"),
    ({"panel__flatness_tiff": ""}, r"panel\.flatness_tiff: found ''; allowed: the name of a file"),
    # optics
    ({"optics__focal_length_mm": 0}, r"optics\.focal_length_mm: found 0; allowed: a number from 0\.01"),
    ({"optics__numerical_aperture": 0}, r"optics\.numerical_aperture: found 0; allowed: a number from 0\.001"),
    ({"optics__numerical_aperture": 5e-324}, r"optics\.numerical_aperture: found 5e-324; allowed: a number from 0\.001"),
    (
        {"optics__numerical_aperture": 1.0},
        r"optics\.numerical_aperture: found 1\.0; allowed: a number from 0\.001 up and below medium_index, 1",
    ),
    (
        {"optics__numerical_aperture": 1.4, "optics__medium_index": 1.33},
        r"optics\.numerical_aperture: found 1\.4; .*below medium_index, 1\.33",
    ),
    ({"optics__medium_index": 0.9}, r"optics\.medium_index: found 0\.9; allowed: a number from 1 to 4"),
    ({"optics__relay_magnification": -0.48}, r"optics\.relay_magnification: found -0\.48; allowed: a number from 0\.001"),
    ({"optics__relay_magnification": 600.0}, r"optics: found a pupil of radius 4 um on the panel holds 0 pixels; allowed: at least 16"),
    ({"optics__aberration": 0.05}, r"optics\.aberration: found 0\.05; allowed: a table \[optics\.aberration\]"),
    ({"optics__aberration": {"0": 0.05}}, r"optics\.aberration\.0: found the key '0'; allowed: Noll indices from 1 to 120"),
    ({"optics__aberration": {"121": 0.05}}, r"optics\.aberration\.121: found the key '121'; allowed"),
    ({"optics__aberration": {"05": 0.05}}, r"optics\.aberration\.05: found the key '05'; allowed"),
    ({"optics__aberration": {"coma": 0.05}}, r"optics\.aberration\.coma: found the key 'coma'; allowed"),
    ({"optics__aberration": {"5": 21}}, r"optics\.aberration\.5: found 21; allowed: a number from -20 to 20"),
    ({"optics__aberration": {"5": [0.1]}}, r"optics\.aberration\.5: found \[0\.1\]; allowed: a number from -20 to 20"),
    # camera and lattice
    ({"camera": {}}, r"camera\.columns: missing; needed: a whole number from 1 to 65536"),
    (
        {"camera": {"columns": 9, "rows": 9, "pixel_um": 5, "magnification": 24, "bits": 64}},
        r"camera\.bits: found 64; allowed: a whole number from 1 to 32",
    ),
    (
        {"camera": {"columns": 9, "rows": 9, "pixel_um": 5, "magnification": 24, "bits": 8, "binning": 2}},
        r"camera\.binning: unknown key, found 2; .*allowed keys: columns, rows",
    ),
    ({"lattice__vectors_um": [[3, 0], [6, 0]]}, r"lattice\.vectors_um: found .*; allowed: two vectors that are not parallel"),
    ({"lattice__vectors_um": [[3, 0]]}, r"lattice\.vectors_um: found "),
    ({"lattice__origin": [3, 0]}, r"lattice\.origin: unknown key.*nearest known key: 'origin_um'"),
]


@pytest.mark.parametrize(("changes", "message"), BROKEN)
def test_broken_bench_files(small_bench_file, changes, message):
    """Each message names the file, the key, what was found (or that it is missing) and what is allowed."""
    path = small_bench_file(**changes)
    with pytest.raises(InputError, match=re.escape(f"{path}: ") + message):
        read_bench(path)


@pytest.mark.parametrize(
    ("number", "message"),
    [
        ("nan", r"light\.power_mw: found nan; allowed: a number above 0"),
        ("inf", r"light\.power_mw: found inf; allowed"),
        ("9" * 400, r"light\.power_mw: found 9999.*\.\.\.; allowed"),
        ("0x" + "f" * 5000, r"light\.power_mw: found a int too large to show; allowed"),
        ("9" * 5000, r"not valid TOML: .*digits"),
        ("1e", r"not valid TOML: .*line \d+"),
        ("1\n" + "z." * 3000 + "z = 1", r"not valid TOML: found a key of more parts at line \d+; allowed: at most 16"),
    ],
)
def test_strange_numbers(small_bench_text, tmp_path, number, message):
    path = tmp_path / "bench.toml"
    text = small_bench_text().replace('"power_mw" = 2.0', f'"power_mw" = {number}')
    with pytest.raises(InputError, match=re.escape(f"{path}: ") + message):
        parse_bench(text, path)


def test_missing_bench_file(tmp_path):
    with pytest.raises(InputError, match=r"nothing\.toml: no such file"):
        read_bench(tmp_path / "nothing.toml")


CURVES = [
    ("level,phase_rad\n0,0\n", r"response_csv: .*curve\.csv: found 1 row\(s\); allowed: at least 2"),
    ("level,phase_rad\n", r"found 0 row\(s\)"),
    ("level,phase_rad\n0,0\n100,5\n200,4\n255,7\n", r"phase_rad: found 5 at level 100 and 4 at level 200; allowed: always rising or"),
    ("level,phase_rad\n0,7\n100,3\n200,4\n255,0\n", r"phase_rad: found 3 at level 100 and 4 at level 200"),
    ("level,phase_rad\n0,1\n255,1\n", r"phase_rad: found 1 at level 0 and 1 at level 255; allowed: always rising or always falling"),
    ("level,phase_rad\n0,0\n9,3\n9,4\n255,7\n", r"level: found 9 twice; allowed: each level once"),
    ("level,phase_rad\n0,0\n255,6\n", r"phase_rad: found a range of 6 rad; allowed: from 6\.259 rad \(2 pi\) up"),
    ("level,phase_rad\n0,0\n256,7\n", r"level: found 256; allowed: from 0 to 255"),
    ("level,phase_rad\n-1,0\n255,7\n", r"level: found -1; allowed: from 0 to 255"),
    ("level,phase_rad\n0,0\n255,7000\n", r"phase_rad: found 7000; allowed: from -1000 to 1000 rad"),
]


@pytest.mark.parametrize(("curve", "message"), CURVES)
def test_broken_response_curves(small_bench_file, tmp_path, curve, message):
    (tmp_path / "curve.csv").write_text(curve)
    path = small_bench_file(panel__level_for_2pi=None, panel__response_csv="curve.csv")
    with pytest.raises(InputError, match=re.escape(f"{path}: panel.response_csv: ") + ".*" + message.removeprefix("response_csv: ")):
        read_bench(path)


@pytest.mark.parametrize(
    ("curve", "message"),
    [
        ("level,phase\n0,0\n255,7\n", r"curve\.csv: line 1: unknown column 'phase'; allowed: level, phase_rad"),
        ("level,phase_rad\n0,0\n255,nan\n", r"curve\.csv: line 3: phase_rad: found 'nan'; allowed: a finite number"),
        ("level,phase_rad\n0,0\n255\n", r"curve\.csv: line 3: found 1 cells; the header has 2"),
    ],
)
def test_response_files_that_are_no_table(small_bench_file, tmp_path, curve, message):
    (tmp_path / "curve.csv").write_text(curve)
    with pytest.raises(InputError, match=message):
        read_bench(small_bench_file(panel__level_for_2pi=None, panel__response_csv="curve.csv"))


def _with(value, dtype=np.float32):
    picture = np.ones((80, 96), dtype)
    picture[3, 7] = value
    return picture


@pytest.mark.parametrize(
    ("key", "picture", "message"),
    [
        (
            "light__beam_tiff",
            np.ones((96, 80), np.float32),
            r"found 96 x 80 pixels \(rows x columns\); allowed: 80 x 96, one per panel pixel",
        ),
        ("light__beam_tiff", _with(np.nan), r"found nan at row 3, column 7; allowed: finite intensities from 0 up"),
        ("light__beam_tiff", _with(np.inf, np.float16), r"found inf at row 3, column 7; allowed: finite intensities"),
        ("light__beam_tiff", _with(1e300, np.float64), r"found 1e\+300 at row 3, column 7; allowed: finite intensities"),
        ("light__beam_tiff", _with(-0.5), r"found -0\.5 at row 3, column 7; allowed: finite intensities from 0 up"),
        ("light__beam_tiff", _with(-5, np.int16), r"found -5 at row 3, column 7; allowed"),
        ("light__beam_tiff", np.zeros((80, 96), np.uint8), r"found no light, all intensities are 0; allowed: at least one above 0"),
        ("panel__flatness_tiff", np.zeros((80, 95), np.float32), r"found 80 x 95 pixels \(rows x columns\); allowed: 80 x 96"),
        ("panel__flatness_tiff", _with(np.nan), r"found nan at row 3, column 7; allowed: finite phases from -1000 to 1000 rad"),
        ("panel__flatness_tiff", _with(-1e4), r"found -10000 at row 3, column 7; allowed"),
        ("panel__flatness_tiff", np.zeros((80, 96), np.uint8), r"found numbers of type uint8; allowed: a phase in rad as floating-point"),
    ],
)
def test_broken_pictures(small_bench_file, tmp_path, key, picture, message):
    tifffile.imwrite(tmp_path / "picture.tiff", picture)
    without = {"light__beam_diameter_mm": None} if key == "light__beam_tiff" else {}
    path = small_bench_file(**{key: "picture.tiff"}, **without)
    start = f"{path}: {key.replace('__', '.')}: {tmp_path / 'picture.tiff'}: "
    with pytest.raises(InputError, match=re.escape(start) + message):
        read_bench(path)


@pytest.mark.parametrize(
    ("written", "message"),
    [
        ({"data": np.ones((2, 80, 96), np.uint8)}, "found 2 pages; allowed: one"),
        ({"data": np.ones((80, 96), np.uint8), "photometric": "miniswhite"}, "page 0: found grey values of the kind MINISWHITE; allowed"),
        (
            {"data": np.ones((80, 96, 3), np.uint8), "photometric": "rgb"},
            r"page 0: found shape \(80, 96, 3\), type uint8; allowed: one grey",
        ),
    ],
)
def test_pictures_of_another_kind(small_bench_file, tmp_path, written, message):
    tifffile.imwrite(tmp_path / "beam.tiff", **written)
    with pytest.raises(InputError, match=r"beam\.tiff: " + message):
        read_bench(small_bench_file(light__beam_diameter_mm=None, light__beam_tiff="beam.tiff"))


@pytest.mark.parametrize(
    "options", [{"compression": "zlib"}, {"tile": (16, 16)}, {"bigtiff": True}, {"byteorder": ">"}, {"rowsperstrip": 7}], ids=str
)
def test_pictures_packed_in_other_ways(small_bench, tmp_path, options):
    picture = np.random.default_rng(1).random((80, 96)).astype(np.float32)
    tifffile.imwrite(tmp_path / "beam.tiff", picture, **options)
    assert (small_bench(light__beam_diameter_mm=None, light__beam_tiff="beam.tiff").light.beam == picture).all()


@pytest.mark.parametrize(
    ("kind", "content", "message"),
    [
        (60000, b"x" * 7680, "found pixels packed as 60000; allowed: NONE, LZW, DEFLATE, ADOBE_DEFLATE, PACKBITS"),
        (8, b"x" * 7680, "not a readable TIFF file"),
        (8, zlib.compress(bytes(2**26), 9) + bytes(2**17), r"found 19\d{4} bytes of pixels for 80 x 96 of uint8; allowed: about 7680"),
    ],
    ids=["no such packing", "damaged", "a bomb"],
)
def test_packed_pictures_that_are_none(small_bench_file, tmp_path, kind, content, message):
    """One strip, patched into a file of the TIFF library: the strip at its end, the kind of packing and the strip's length."""
    path = tmp_path / "beam.tiff"
    tifffile.imwrite(path, np.ones((80, 96), np.uint8), metadata=None)
    with tifffile.TiffFile(path) as file:
        tags = {name: file.pages[0].tags[name].valueoffset for name in ("Compression", "StripOffsets", "StripByteCounts")}
    bytes_ = bytearray(path.read_bytes())
    struct.pack_into("<H", bytes_, tags["Compression"], kind)
    struct.pack_into("<I", bytes_, tags["StripOffsets"], len(bytes_))
    struct.pack_into("<I", bytes_, tags["StripByteCounts"], len(content))
    path.write_bytes(bytes_ + content)
    with pytest.raises(InputError, match=r"beam\.tiff: .*" + message):
        read_bench(small_bench_file(light__beam_diameter_mm=None, light__beam_tiff="beam.tiff"))


@pytest.mark.parametrize("content", [b"", b"II*\0", b"not a picture", b"II*\0\x08\0\0\0\xff\xff" + b"\0" * 40])
def test_pictures_that_are_none(small_bench_file, tmp_path, content):
    (tmp_path / "picture.tiff").write_bytes(content)
    with pytest.raises(InputError, match=r"picture\.tiff: "):
        read_bench(small_bench_file(panel__flatness_tiff="picture.tiff"))


def test_beam_centre_beside_a_measured_beam(small_bench_file, tmp_path):
    """(0, 0), which the starter file has, says nothing; any other centre would be passed over in silence."""
    tifffile.imwrite(tmp_path / "beam.tiff", np.ones((80, 96), np.float32))
    measured = {"light__beam_diameter_mm": None, "light__beam_tiff": "beam.tiff"}
    assert read_bench(small_bench_file(**measured, light__beam_centre_mm=[0.0, 0.0])).light.beam is not None
    with pytest.raises(InputError, match=r"light\.beam_centre_mm: found \[0\.1, 0\.0\]; allowed: \[0, 0\] or nothing beside beam_tiff"):
        read_bench(small_bench_file(**measured, light__beam_centre_mm=[0.1, 0.0]))


KEYS = [f"{table}__{key}" for table, content in tomllib.loads(demo_bench_text()).items() if isinstance(content, dict) for key in content]


@pytest.mark.parametrize("key", [*KEYS, "light__beam_tiff", "panel__response_csv", "panel__flatness_tiff", "lattice__geometry"])
def test_any_value_is_read_or_refused(small_bench_file, key):
    """Whatever stands behind a key, the outcome is a bench or one message that names the file."""
    camera = {"columns": 9, "rows": 9, "pixel_um": 5.0, "magnification": 24.0, "bits": 8}
    for value in (
        -1,
        0,
        1,
        1e-300,
        1e300,
        10**30,
        True,
        "",
        "\0",
        "x" * 600,
        ".",
        "bench.toml",
        [],
        [[]],
        [1, 2, 3],
        [[1, "a"]],
        {},
        {"a": [1]},
    ):
        path = small_bench_file(camera=camera, **{key: value})
        assert _outcome(path).startswith(str(path.parent))


def _outcome(path):
    """The message that refuses a bench file, or the file's name."""
    try:
        read_bench(path)
    except InputError as error:
        return str(error)
    return str(path)
