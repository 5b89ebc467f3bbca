"""Files that a stranger made: nothing is read but what Tareline writes, and nothing elsewhere."""

import os
from pathlib import Path

import h5py
import numpy as np
import pytest

from drivers.errors import InputError
from harness.evaluation.read_back import read_run
from harness.evaluation.verification import verify
from harness.run_file import open_run
from harness.run_file.figures import read_figures

SAMPLE = Path(__file__).parents[3] / "results/sample/qualify-PIG-0451.h5"
BAND = "backhaul-2400"
SECRET = b"root:x:0:0:root:/root:/bin/sh\n"


@pytest.fixture
def copy(tmp_path):
    """A run file of which nothing shows any more that it was changed."""
    path = tmp_path / "run.h5"
    path.write_bytes(SAMPLE.read_bytes())
    with h5py.File(path, "r+") as file:
        without_digests(file)
    return path


def without_digests(file):
    for name in ("header_sha256",):
        file.attrs.pop(name, None)
    for name in ("sha256", "content_sha256", "figures_sha256"):
        file["analysis"].attrs.pop(name, None)
    for group in file["bands"].values():
        for kind in ("normalization", "insertions"):
            if "sha256" in group[kind]:
                del group[kind]["sha256"]


def again(file, place, **options):
    """The same dataset, made otherwise."""
    values = file[place][()]
    del file[place]
    return file.create_dataset(place, data=values, **options)


def external(file, folder):
    """Events that are what stands in a file of the system."""
    (folder / "passwd").write_bytes(SECRET * 40)
    del file["events"]
    dtype = np.dtype([("time", "<f8"), ("kind", "S16"), ("text", "S480")])
    file.create_dataset("events", (2,), dtype, external=[(str(folder / "passwd"), 0, 1008)])


def elsewhere(file, folder):
    with h5py.File(folder / "other.h5", "w") as other:
        other["limit_db"] = np.zeros(5)
    del file[f"analysis/{BAND}/limit_db"]
    file[f"analysis/{BAND}/limit_db"] = h5py.ExternalLink(str(folder / "other.h5"), "limit_db")


def of_a_pipe(file, folder):
    os.mkfifo(folder / "pipe.h5")
    file["more"] = h5py.ExternalLink(str(folder / "pipe.h5"), "x")


def soft(file, folder):
    del file[f"analysis/{BAND}/limit_db"]
    file[f"analysis/{BAND}/limit_db"] = h5py.SoftLink("insertion_loss_db")


def virtual(file, folder):
    values = file[f"analysis/{BAND}/limit_db"][()]
    with h5py.File(folder / "other.h5", "w") as other:
        other["x"] = values
    layout = h5py.VirtualLayout(values.shape, "<f8")
    layout[:] = h5py.VirtualSource(str(folder / "other.h5"), "x", values.shape)
    del file[f"analysis/{BAND}/limit_db"]
    file.create_virtual_dataset(f"analysis/{BAND}/limit_db", layout)


def compressed(file, folder):
    again(file, f"analysis/{BAND}/limit_db", compression="gzip")


def of_single_precision(file, folder):
    values = file[f"analysis/{BAND}/limit_db"][()]
    del file[f"analysis/{BAND}/limit_db"]
    file[f"analysis/{BAND}/limit_db"] = values.astype("<f4")


def too_short(file, folder):
    values = file[f"analysis/{BAND}/limit_db"][()]
    del file[f"analysis/{BAND}/limit_db"]
    file[f"analysis/{BAND}/limit_db"] = values[:-1]


def of_another_shape(file, folder):
    means = file[f"analysis/{BAND}/insertion_means_db"][()]
    del file[f"analysis/{BAND}/insertion_means_db"]
    file[f"analysis/{BAND}/insertion_means_db"] = means.ravel()


def a_kind_of_its_own(file, folder):
    file["type"] = np.dtype("<f8")


def twice(file, folder):
    file["more"] = file["bands"]


def a_number_for_a_text(file, folder):
    file[f"analysis/{BAND}"].attrs["verdict"] = 1.0


def four_gigabytes(file, folder):
    file.create_dataset("more", (1 << 29,), "<f8", chunks=(64,))


def a_million_million_rows(file, folder):
    part = file[f"bands/{BAND}/insertions"]
    for name in ("time", "insertion", "suspect"):
        if name in part:
            part[name].resize(10**12, axis=0)
    part["readings"].resize(10**12, axis=0)


STRANGE = (
    external, elsewhere, of_a_pipe, soft, virtual, compressed, of_single_precision, too_short,
    of_another_shape, a_kind_of_its_own, twice, a_number_for_a_text, four_gigabytes,
    a_million_million_rows,
)  # fmt: skip
SEEN_BY_FIGURES = (elsewhere, soft, virtual, compressed, of_single_precision, of_another_shape)


@pytest.mark.parametrize("change", STRANGE, ids=lambda change: change.__name__)
def test_what_is_never_written_is_refused(copy, tmp_path, change):
    with h5py.File(copy, "r+") as file:
        change(file, tmp_path)
    with pytest.raises(InputError, match="is damaged") as refused:
        read_run(copy)
    assert "root:x" not in str(refused.value)
    assert verify(copy).state == "wrong"
    if change in SEEN_BY_FIGURES:
        with pytest.raises(InputError, match="is damaged"):
            read_figures(copy)


def test_a_file_without_hashes_is_never_good(copy):
    found = verify(copy)
    assert (found.state, found.has_digests) == ("unproven", False)


def test_names_of_later_versions_are_let_through(copy):
    with h5py.File(copy, "r+") as file:
        file.create_group("later/group")["numbers"] = np.arange(3)
        file.attrs["later"] = "text"
    with open_run(copy) as file:
        assert list(file["later/group/numbers"][()]) == [0, 1, 2]


@pytest.mark.parametrize("read", [read_run, verify, read_figures])
def test_a_path_that_is_no_file_is_refused_before_it_is_opened(tmp_path, read):
    os.mkfifo(tmp_path / "pipe.h5")
    (tmp_path / "link.h5").symlink_to(tmp_path / "pipe.h5")
    for path in ("pipe.h5", "link.h5", "nowhere.h5", "."):
        with pytest.raises(InputError, match="there is no run file"):
            read(tmp_path / path)
    with pytest.raises(InputError, match="it is a device"):
        read(Path("/dev/zero"))
