"""The certificate: what is stated stands on it, what is not is a line to fill in, on one page."""

import dataclasses
import re
import shutil
import subprocess

import pytest

from harness.evaluation.read_back import read_run
from harness.report.pages.certificate_page import certificate_page, roles_of
from harness.report.pages.frame import css_string
from harness.station.certificate_details import CertificateDetails, read_details
from harness.station.starter_files import write_starter
from tests.harness.command_line import tareline
from tests.harness.report.pages.test_run_page import Outline

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="module")
def run_file(recorded):
    return recorded.path


@pytest.fixture(scope="module")
def full(tmp_path_factory):
    """The starting details with every line in force."""
    folder = tmp_path_factory.mktemp("details")
    write_starter(folder)
    path = folder / "certificate.toml"
    text = re.sub(r"^# (\w+ = |\[)", r"\1", path.read_text("utf-8"), flags=re.M)
    path.write_text(text.replace('"network analyzer"', '"file of the item, 1"'), "utf-8")
    return path


def page_of(run_file, folder, *options):
    done = tareline("certificate", run_file, "--page", "out.html", *options, folder=folder)
    assert done.returncode in (0, 1), done.stderr
    return (folder / "out.html").read_text("utf-8")


def test_everything_stated_stands_there(run_file, full, tmp_path):
    """ISO/IEC 17025:2017, 7.8.2.1 a to o, 7.8.6.2; 7.8.4.1 a to c from memory."""
    page = page_of(run_file, tmp_path, "--details", full)
    words = Outline(page).words.replace("\u00a0", " ")
    run = read_run(run_file)
    for said in (
        "Certificate of measurement",  # a
        "Saltmarsh Telemetry, test bench", "Saltmarsh Quay", "bench 2",  # b, c
        "ST-2026-0117", run.run_id, "End of certificate",  # d
        "Harbour office", "2026-031",  # e
        "Insertion loss by substitution",  # f
        "PIG-0451", "Serial number 0451", "connectors clean",  # g
        "2026-02-27",  # h
        "Issued on 2026-03-02",  # j
        "relate only to the item measured",  # l
        "Deviations none",  # n
        "head of the test bench",  # o
        "except in full",
        "telemetry-868", "95.45 %", "Combined by the GUM",  # 7.8.4.1 a
        "23 °C", "relative humidity",  # 7.8.4.1 b
        "guard band w = U", "drawing 4711, issue C", "at every frequency measured",  # 7.8.6.2
        "Opinion, not a result",
        "claims none",
    ):  # fmt: skip
        assert said in words, said
    for band in run.bands.values():
        assert f"{band.coverage_factor[band.decision.worst_index]:.2f}" in words
    assert "accredited" not in words.lower()
    assert "Simulated: nothing was measured" in words
    assert "None: the readings are simulated" in words


def test_what_nobody_states_is_a_line_to_fill_in(run_file, tmp_path):
    page = page_of(run_file, tmp_path)
    blanks = page.count('class="blank')
    # number, laboratory, serial, condition, customer, order, received, other conditions,
    # deviations, date of issue, name, signature
    assert blanks == 12
    assert page.count("not stated, to be filled in") == blanks
    assert "Saltmarsh Telemetry, test bench" not in page
    assert not re.search(r"Issued on \d", page)


def test_a_measured_item_has_its_instruments(run_file, full):
    """A run whose readings are not simulated names the calibration it is traceable through."""
    run = dataclasses.replace(read_run(run_file), simulated=False)
    words = Outline(certificate_page(run, read_details(full, roles_of(run)), "0" * 64)).words
    assert "imulated" not in words.replace("SIM-20", "")
    assert "no. 2025-1234, calibration laboratory" in words.replace("\u00a0", " ")
    assert "due 2026-11-03" in words.replace("\u00a0", " ")


@pytest.mark.skipif(CHROMIUM is None, reason="chromium, which counts the pages, is not installed")
def test_one_page_of_paper(run_file, full, tmp_path):
    page_of(run_file, tmp_path, "--details", full)
    subprocess.run(
        [CHROMIUM, "--headless=new", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
         f"--user-data-dir={tmp_path / 'profile'}", "--print-to-pdf=out.pdf",
         (tmp_path / "out.html").as_uri()],
        cwd=tmp_path, check=True, capture_output=True, timeout=60,
    )  # fmt: skip
    pdf = (tmp_path / "out.pdf").read_bytes()
    # one object of the type Page each (PDF 1.7, 7.7.3.3)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == 1


def test_mistakes_come_all_at_once(run_file, tmp_path):
    path = tmp_path / "details.toml"
    path.write_text(
        'isued = 2026-03-02\n[item]\nreceived = "yesterday"\n[laboratory]\naddress = "one line"\n',
        "utf-8",
    )
    done = tareline("certificate", run_file, "--details", path, folder=tmp_path)
    assert done.returncode == 2
    assert "3 mistakes" in done.stderr
    assert "did you mean 'issued'?" in done.stderr
    assert "without quotes" in done.stderr
    path.write_text('[[calibrations]]\nrole = "file of the itm, 1"\n', "utf-8")
    done = tareline("certificate", run_file, "--details", path, folder=tmp_path)
    assert done.returncode == 2
    assert "did you mean 'file of the item, 1'?" in done.stderr
    assert not list(tmp_path.glob("*.html"))


def test_what_is_doubted_is_certified_only_by_who_read_it(run_file, tmp_path):
    """A mark of the zero, and a band whose readings allow no verdict although it has a limit."""
    run = read_run(run_file)
    name, band = next(iter(run.bands.items()))
    for doubted, says in (
        (dataclasses.replace(band, zero_marks=("the zero is 3 h old",)), "the zero is 3 h old"),
        (dataclasses.replace(band, decision=None), f"No verdict in {name}"),
    ):
        suspicious = dataclasses.replace(run, bands={**run.bands, name: doubted})
        with pytest.raises(ValueError, match=says):
            certificate_page(suspicious, CertificateDetails(), "0" * 64)
        page = certificate_page(suspicious, CertificateDetails(), "0" * 64, "agreed by <phone>")
        page = page.replace("\u00a0", " ")
        assert says in page
        assert "Reason given: agreed by &lt;phone&gt;" in page
    assert "Reason given" not in certificate_page(run, CertificateDetails(), "0" * 64, "whatever")


def test_what_was_handed_out_is_kept(run_file, tmp_path):
    page_of(run_file, tmp_path)
    (tmp_path / "out.html").write_text("signed", "utf-8")
    done = tareline("certificate", run_file, "--page", "out.html", folder=tmp_path)
    assert done.returncode == 2
    assert (tmp_path / "out.html").read_text("utf-8") == "signed"


def test_css_strings_end_nowhere_else():
    hostile = 'a"; } </style><script>\\'
    escaped = css_string(hostile)
    assert escaped[0] == escaped[-1] == '"'
    assert not re.search(r"[\"<>;}/]|\\(?![0-9a-f]+ )", escaped[1:-1])


def test_what_was_doubted_stands_on_it_once_and_nothing_conforms(run_file):
    """Doubts of several insertions differ in their figures only."""
    run = read_run(run_file)
    doubts = tuple(f"This reads like the joined leads ({x} dB): is it in?" for x in (0.001, -2e-4))
    bands = {
        name: dataclasses.replace(band, decision=None, doubts=doubts)
        for name, band in run.bands.items()
    }
    doubted = dataclasses.replace(run, bands=bands)
    with pytest.raises(ValueError, match="reads like the joined leads"):
        certificate_page(doubted, CertificateDetails(), "0" * 64)
    page = certificate_page(doubted, CertificateDetails(), "0" * 64, "seen by the customer")
    words = Outline(page).words
    assert "Issued despite doubts" in words
    assert "seen by the customer" in words
    assert words.count("reads like the joined leads") == 1
    assert "although limits are stated: the run is doubted" in words
    assert "No limit was stated" not in words
