"""What an open run file holds, as values."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import cast

import numpy as np
from numpy.typing import NDArray

from harness.analysis.loss.band import BandBlocks, BandReadings
from harness.run_file.digests import (
    ROWS_AT_ONCE,
    Chain,
    DamagedError,
    is_last_whole,
    temperature_digests,
)
from harness.run_file.on_disk import ReadingsOnDisk
from harness.run_file.run import Event
from harness.run_file.schema import INDEX, Group, Kind


def read_traces(file: Group) -> tuple[str, ...]:
    """Names of the traces of an open run file; all its bands have the same."""
    for group in file["bands"].values():
        return tuple(json.loads(group["normalization"]["readings"].attrs["traces"]))
    return ()


def read_events(file: Group) -> tuple[Event, ...]:
    """The events of an open run file, in order; one that was not written whole is left out."""
    return tuple(
        Event(
            float(row["time"]),
            row["kind"].decode(errors="replace"),
            row["text"].decode(errors="replace"),
        )
        for row in file["events"][()]
        if row["kind"]
    )


def read_temperature(file: Group) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Unix seconds (M,) and temperature in °C (M,) of an open run file; empty without a sensor.

    Raises:
        DamagedError: a reading is not what was written.
    """
    if "temperature" not in file:
        return np.empty(0), np.empty(0)
    part = file["temperature"]
    time, stored = part["time"][()], part["sha256"][()]
    temperature_c = part["temperature_c"][: len(time)]
    # as of sweeps: a last row of which only a part came to the disk was not finished
    done = min(len(time), len(stored), len(temperature_c))
    time, temperature_c, stored = time[:done], temperature_c[:done], stored[:done]
    differs = np.any(temperature_digests(time, temperature_c) != stored, axis=1)
    if done and not np.any(differs[:-1]) and differs[-1] and not file.attrs["finished"]:
        done -= 1
    elif np.any(differs):
        raise DamagedError("the temperatures are not what was written (their SHA-256 differs)")
    return time[:done], temperature_c[:done]


def read_readings(file: Group) -> dict[str, BandReadings]:
    """All finished sweeps of an open run file that can be true, by band, at once.

    Raises:
        DamagedError: a sweep is not what was written.
    """
    return {
        band: BandReadings(
            each.frequency_hz,
            each.traces,
            _together(each, each.normalization),
            each.normalization_time,
            each.normalization_making,
            _together(each, each.insertions),
            each.insertion_time,
            each.insertion,
        )
        for band, each in read_blocks(file).items()
    }


def _together(band: BandBlocks, blocks: Iterable[NDArray[np.complex128]]) -> NDArray[np.complex128]:
    none = np.empty((0, len(band.traces), len(band.frequency_hz)), dtype=np.complex128)
    return np.concatenate([none, *blocks])


def read_blocks(file: Group) -> dict[str, BandBlocks]:
    """The same sweeps by band, a block at a time, for as long as the file is open.

    Going through them raises `DamagedError` where a sweep is not what was written.
    """
    time, temperature_c = read_temperature(file)
    return {band: _band_blocks(group, time, temperature_c) for band, group in file["bands"].items()}


def _band_blocks(
    group: Group, temperature_time: NDArray[np.float64], temperature_c: NDArray[np.float64]
) -> BandBlocks:
    through, item = group["normalization"], group["insertions"]
    good, swept = sound_rows(through), sound_rows(item)
    has_sensor = len(temperature_time) > 0
    return BandBlocks(
        frequency_hz=group["frequency_hz"][()],
        traces=tuple(json.loads(through["readings"].attrs["traces"])),
        normalization=_SoundBlocks(through, good),
        normalization_time=through["time"][: len(good)][good],
        normalization_making=through["making"][: len(good)][good],
        insertions=_SoundBlocks(item, swept),
        insertion_time=item["time"][: len(swept)][swept],
        insertion=item["insertion"][: len(swept)][swept],
        temperature_time=temperature_time if has_sensor else None,
        temperature_c=temperature_c if has_sensor else None,
    )


class _SoundBlocks:
    """Readings of the finished sweeps that can be true, in blocks (n, S, P)."""

    def __init__(self, part: Group, sound: NDArray[np.bool_]) -> None:
        self._part, self._sound = part, sound

    def __iter__(self) -> Iterator[NDArray[np.complex128]]:
        for first, readings in checked_readings(self._part, len(self._sound)):
            sound = self._sound[first : first + len(readings)]
            yield readings if np.all(sound) else readings[sound]


def checked_readings(part: Group, done: int) -> Iterator[tuple[int, NDArray[np.complex128]]]:
    """The first `done` sweeps of one kind in one band, suspect ones too: blocks (n, S, P) with
    the number of their first row.

    Raises:
        DamagedError: a sweep is not what was written. Files of earlier versions cannot tell.
    """
    band, kind = place_of(part)
    chain = Chain(band, kind)
    dataset, index, time = part["readings"], part[INDEX[kind]][:done], part["time"][:done]
    stored = part["sha256"][:done] if "sha256" in part else None
    on_disk = ReadingsOnDisk.of(dataset, done)

    def checked(first: int) -> NDArray[np.complex128]:
        rows = slice(first, min(first + ROWS_AT_ONCE, done))
        readings: NDArray[np.complex128] = dataset[rows] if on_disk is None else on_disk.read(rows)
        if stored is not None:
            chain.extend(index[rows], time[rows], readings, stored[rows])
        return readings

    firsts = range(0, done, ROWS_AT_ONCE)
    blocks = map(checked, firsts) if on_disk is None else _one_ahead(checked, firsts)
    yield from zip(firsts, blocks, strict=True)


def _one_ahead(
    work: Callable[[int], NDArray[np.complex128]], over: Sequence[int]
) -> Iterator[NDArray[np.complex128]]:
    """As `map`, with the next one made in a second thread while the last one is used: reading and
    SHA-256 leave the interpreter free."""
    if len(over) < 2:
        yield from map(work, over)
        return
    with ThreadPoolExecutor(1, thread_name_prefix="reading") as beside:
        coming = beside.submit(work, over[0])
        for following in over[1:]:
            done, coming = coming.result(), beside.submit(work, following)
            yield done
        yield coming.result()


def check_sweeps(part: Group) -> tuple[int, int]:
    """Go through all sweeps of one kind in one band; how many are whole, and how many began.

    Raises:
        DamagedError: one is not what was written, the columns are not of one length, or time
            did not rise.
    """
    band, kind = place_of(part)
    names = ["readings", INDEX[kind], "time"] + ["sha256"] * ("sha256" in part)
    lengths = {int(part[name].shape[0]) for name in names}
    done = whole_rows(part)
    if len(lengths) > 1 and part.file.attrs["finished"]:
        raise DamagedError(f"band {band}, {kind}: its columns are not of one length")
    for _ in checked_readings(part, done):
        pass
    time = part["time"][:done]
    if not np.all(np.isfinite(time)) or np.any(np.diff(time) < 0.0):
        raise DamagedError(f"band {band}, {kind}: the times of the sweeps do not rise")
    return done, max(lengths)


def place_of(part: Group) -> tuple[str, Kind]:
    """Band and kind of sweeps by the group's name."""
    _, _, band, kind = part.name.split("/")
    return band, cast(Kind, kind)


def count_suspects(file: Group) -> dict[str, int]:
    """How many sweeps an open run file keeps that cannot be true, by band."""
    return {
        band: sum(int(np.count_nonzero(~sound_rows(group[kind]))) for kind in INDEX)
        for band, group in file["bands"].items()
    }


def whole_rows(part: Group) -> int:
    """How many sweeps of one kind in one band were finished; they come first.

    One flush writes all of a row, so a writer that was killed may leave its last row in part.
    """
    band, kind = place_of(part)
    done = int(part["time"].shape[0])
    if "sha256" not in part or part.file.attrs["finished"]:
        return done
    done = min(done, *(int(part[name].shape[0]) for name in ("readings", INDEX[kind], "sha256")))
    if done and not is_last_whole(band, kind, part, done):
        done -= 1
    return done


def sound_rows(part: Group) -> NDArray[np.bool_]:
    """Which of the finished sweeps are not marked as suspect; (N,)."""
    done = whole_rows(part)
    sound = np.ones(done, dtype=np.bool_)
    if "suspect" in part:
        marks = part["suspect"][:done]
        # marks may end before the rows do; what nobody marked is sound
        sound[: len(marks)] = marks == 0
    return sound
