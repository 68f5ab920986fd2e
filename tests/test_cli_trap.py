"""``holo trap``: what it prints and writes, and what it refuses."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace

import pytest
from click.testing import CliRunner

from holo.cli import main
from holo.mask import read_mask, write_mask


def holo_(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args], catch_exceptions=False)


def told_by(*args):
    run = holo_("trap", *args, "--json")
    assert run.exit_code == 0, run.stderr
    return json.loads(run.stdout)


@pytest.fixture(scope="module")
def made(tmp_path_factory, small_bench_text):
    """A bench at 700 nm, which traps lithium, and a mask of four sites on it."""
    folder = tmp_path_factory.mktemp("traps")
    (folder / "bench.toml").write_text(small_bench_text(optics__transmission={"window": 0.9}, light__transmission={"fibre": 0.5}))
    (folder / "block.toml").write_text("[[add]]\nblock = [2, 2]\n[dark]\nmargin = 1\n")
    design = ("design", folder / "block.toml", "--bench", folder / "bench.toml", "-o", folder / "mask.tiff", "--effort", "quick")
    assert holo_(*design).exit_code == 0
    return folder


BEAM = ("--species", "Rb-87", "--wavelength-nm", "1064", "--waist-um", "1")


def test_a_beam_without_a_mask():
    told = told_by(*BEAM, "--power-mw", "1")
    assert told["depth_uk"] == pytest.approx(98.425, rel=0.002)
    assert told["gaussian_across_khz"] == pytest.approx(30.888, rel=0.002)
    assert told["depth_error_uk"] < 0.2
    assert told["scalar_polarizability_au"] == pytest.approx(687.3, rel=0.005)
    assert "laser safety officer" in " ".join(told["warnings"])
    assert {"number", "value", "error", "source"} == set(told["sources"][0])
    assert not any("safe" in text.replace("safety officer", "") for text in told["warnings"])


def test_the_power_for_a_depth():
    needed = told_by(*BEAM, "--depth-uK", "1000")
    assert needed["depth_uk"] == pytest.approx(1000)
    assert needed["power_mw"] == needed["power_needed_mw"] == pytest.approx(10.15, rel=0.002)
    both = told_by(*BEAM, "--depth-uk", "1000", "--power-mw", "1")
    assert both["power_mw"] == 1
    assert both["power_needed_mw"] == pytest.approx(needed["power_needed_mw"])


def test_a_lattice():
    told = told_by("--species", "Rb-87", "--wavelength-nm", "1064", "--waist-um", "100", "--power-mw", "49.44", "--sent-back")
    assert told["lattice_depth_recoils"] == pytest.approx(20, rel=0.002)
    assert told["tunnelling_hz"] == pytest.approx(5.052, rel=0.02)
    other = told_by(*BEAM, "--power-mw", "1", "--lattice", "10", "--spacing-um", "0.532")
    assert other["tunnelling_hz"] == pytest.approx(38.898, rel=1e-4)
    assert other["band_gap_recoils"] == pytest.approx(4.5723, rel=1e-4)


def test_text_and_sources():
    run = holo_("trap", *BEAM, "--power-mw", "1", "--sources")
    assert re.search(r"^depth +98\.4\d* uK$", run.stdout, re.MULTILINE)
    assert re.search(r"^scattering +0\.36\d* /s$", run.stdout, re.MULTILINE)
    assert re.search(r"^D2 linewidth_mhz +6\.0666 +0\.0018 +Steck", run.stdout, re.MULTILINE)
    assert "warning" not in run.stdout
    assert "sources" not in holo_("trap", *BEAM, "--power-mw", "1").stdout


def test_the_sites_of_a_mask(made, tmp_path):
    told = told_by(
        made / "mask.tiff", "--species", "Li-6", "--bench", made / "bench.toml", "--depth-uk", "500", "--table", tmp_path / "t.csv"
    )
    assert told["sites"] == len(told["per_site"]) == 4
    assert told["power_mw"] == 2.0
    assert told["depth_lowest_uk"] <= told["depth_uk"] <= told["depth_highest_uk"]
    assert told["depth_spread"] < 0.01
    assert told["power_needed_mw"] == pytest.approx(500 / told["depth_uk"] * 2)
    assert told["laser_needed_mw"] == pytest.approx(2 * told["power_needed_mw"])
    assert told["power_needed_lowest_site_mw"] >= told["power_needed_mw"]
    assert [step["step"] for step in told["budget"]][:3] == ["laser", "fibre", "on the panel"]
    assert told["budget"][-1]["step"] == "window"
    assert all(told[f"frequency_{axis}_khz"] > 0 for axis in "xyz")
    rows = list(csv.DictReader((tmp_path / "t.csv").read_text().splitlines()))
    assert [float(row["depth_uk"]) for row in rows] == [site["depth_uk"] for site in told["per_site"]]
    again = told_by(made / "mask.tiff", "--species", "Li-6", "--power-mw", "4")  # with the bench of the mask's own record
    assert again["depth_uk"] == pytest.approx(2 * told["depth_uk"])


def test_text_of_a_mask_leaves_the_sites_to_the_table(made):
    run = holo_("trap", made / "mask.tiff", "--species", "Li-6", "--lattice", "8")
    assert run.exit_code == 0
    assert re.search(r"^lattice spacing +3 um$", run.stdout, re.MULTILINE)  # of the bench
    assert re.search(r"^fibre +0\.5 +2$", run.stdout, re.MULTILINE)
    assert "per site" not in run.stdout


def test_light_that_repels_is_told(made):
    told = told_by(made / "mask.tiff", "--species", "Rb-87")
    assert told["depth_uk"] < 0
    assert told["frequency_x_khz"] is None
    assert "repels Rb-87" in " ".join(told["warnings"])
    assert "hill" in holo_("trap", "--species", "Rb-87", "--wavelength-nm", "700", "--waist-um", "1", "--power-mw", "1").stderr


def test_more_power_than_the_panel_bears_is_told(made):
    told = told_by(made / "mask.tiff", "--species", "Li-6", "--power-mw", "20")
    assert "above the limit of 2 W/cm^2" in " ".join(told["warnings"])
    wanted = told_by(made / "mask.tiff", "--species", "Li-6", "--depth-uk", "1e6")
    assert re.search(r"would peak at .* above the limit of 2 W/cm\^2", " ".join(wanted["warnings"]))


def test_own_lines(tmp_path):
    (tmp_path / "own.toml").write_text('[Rb-x]\nlike = "Rb-87"\nmass_u = { value = 100.0, error = 1.0, source = "us" }\n')
    own = told_by("--species", "Rb-x", "--lines", tmp_path / "own.toml", *BEAM[2:], "--power-mw", "1")
    plain = told_by(*BEAM, "--power-mw", "1")
    assert own["depth_uk"] == plain["depth_uk"]
    assert own["recoil_khz"] < plain["recoil_khz"]


def test_a_state_in_circular_light():
    plain = told_by(*BEAM[:2], "--wavelength-nm", "805", "--waist-um", "1", "--power-mw", "1", "--level", "2")
    turned = told_by(
        *BEAM[:2], "--wavelength-nm", "805", "--waist-um", "1", "--power-mw", "1", "--level", "2", "--m", "2", "--circularity", "1"
    )
    assert turned["depth_uk"] < plain["depth_uk"]
    assert turned["scalar_polarizability_au"] == plain["scalar_polarizability_au"]


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--species", "Rb87", *BEAM[2:], "--power-mw", "1"), r"species: found 'Rb87'; did you mean 'Rb-87'\? allowed: Rb-87, Rb-85"),
        ((*BEAM, "--power-mw", "0"), r"power_mw: found 0; allowed: above 0"),
        ((*BEAM, "--power-mw", "nan"), r"power_mw: found nan; allowed: above 0"),
        ((*BEAM, "--depth-uk", "-3"), r"depth_uk: found -3; allowed: above 0"),
        (
            ("--species", "Rb-87", "--wavelength-nm", "780.24", "--waist-um", "1", "--power-mw", "1"),
            r"GHz from D2 of Rb-87; allowed: 68\.3 GHz",
        ),
        (("--species", "Rb-87", "--wavelength-nm", "300", "--waist-um", "1", "--power-mw", "1"), r"found 300; allowed: 380 to 20000 nm"),
        ((*BEAM[:5], "0", "--power-mw", "1"), r"waist_um: found 0; allowed: 0\.339"),
        ((*BEAM, "--power-mw", "1", "--lattice", "5"), r"--lattice: found without --spacing-um"),
        ((*BEAM, "--power-mw", "1", "--spacing-um", "5"), r"--spacing-um: found without --lattice"),
        ((*BEAM, "--power-mw", "1", "--lattice", "-1", "--spacing-um", "1"), r"lattice depth: found -1"),
        ((*BEAM, "--power-mw", "1", "--level", "7"), r"level: found F = 7; allowed for Rb-87: 1 or 2"),
        ((*BEAM, "--power-mw", "1", "--lines", "none.toml"), r"none\.toml"),
        (BEAM, "needed without a mask: --power-mw, or --depth-uk"),
        (("--species", "Rb-87"), "needed: MASK .*or --wavelength-nm and --waist-um"),
        (("MASK", *BEAM), "found --wavelength-nm, --waist-um or --sent-back beside MASK"),
        (("MASK", "--species", "Li-6", "--bench", "none.toml"), r"none\.toml"),
        (("MASK", "--species", "Li-6", "--power-mw", "-1"), r"power_mw: found -1"),
        (("BENCH", "--species", "Li-6"), r"bench\.toml"),
        (("MASK",), "Missing option '--species'"),
    ],
)
def test_bad_input(made, tmp_path, args, words):
    places = {"MASK": made / "mask.tiff", "BENCH": made / "bench.toml"}
    before = {path: path.read_bytes() for path in made.iterdir()}
    run = holo_("trap", *(places.get(arg, arg) for arg in args))
    assert run.exit_code == 2
    assert run.stdout == ""
    assert re.search(words, run.stderr)
    assert "Traceback" not in run.stderr
    assert {path: path.read_bytes() for path in made.iterdir()} == before


def test_continuous_light_is_refused(made, tmp_path):
    """A mask of the same levels whose record asks for continuous light: there is no site to tell a trap of."""
    mask = read_mask(made / "mask.tiff")
    smooth = mask.record["arrangement"] | {"text": '[smooth]\nunit = "lattice"\nbox = [2, 2]\npower = 0.3\n', "files": {}}
    write_mask(tmp_path / "smooth.tiff", replace(mask, record=mask.record | {"arrangement": smooth}))
    run = holo_("trap", tmp_path / "smooth.tiff", "--species", "Li-6")
    assert run.exit_code == 2
    assert re.search(r"smooth\.tiff: found no bright sites; allowed: a mask of sites", run.stderr)


def test_a_table_that_is_there_is_kept(made, tmp_path):
    (tmp_path / "t.csv").write_text("mine")
    run = holo_("trap", made / "mask.tiff", "--species", "Li-6", "--table", tmp_path / "t.csv")
    assert run.exit_code == 2
    assert (tmp_path / "t.csv").read_text() == "mine"
    assert holo_("trap", made / "mask.tiff", "--species", "Li-6", "--table", tmp_path / "t.csv", "--overwrite").exit_code == 0
    assert (tmp_path / "t.csv").read_text().startswith("i,j,x_um")
