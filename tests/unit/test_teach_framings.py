"""Frames cut from packets that split and join them."""

from random import Random

import pytest

from meterlink.capture.capture_file import CapturedPacket
from meterlink.teach.framings import framing_candidates


def frames_of(rng, number=60, size=11):
    return [b"\xa5\x5a" + rng.randbytes(size - 3) + b"\x0d" for _ in range(number)]


def packets_of(stream, sizes):
    packets, at, t = [], 0, 0.0
    while at < len(stream):
        size = next(sizes)
        packets.append(CapturedPacket(round(t, 3), "c", stream[at : at + size]))
        at, t = at + size, t + 0.05
    return packets


def random_sizes(rng):
    while True:
        yield rng.randint(1, 20)


@pytest.mark.study(everyday=2, sample=12, full=200)
def test_frames_split_and_joined_anywhere(study_seed):
    rng = Random(study_seed)
    frames = frames_of(rng, size=rng.randint(7, 30))
    found = [
        [data for _, data in cut.frames] for cut in framing_candidates(packets_of(b"".join(frames), random_sizes(rng)))
    ]
    assert frames in found or frames[:-1] in found


@pytest.mark.study(everyday=2, sample=12, full=200)
def test_frames_in_two_packets_of_which_some_are_lost(study_seed):
    # Each loss shifts the phase of all later frames, and joins pieces of two frames into a false one.
    rng = Random(study_seed)
    bodies = [b"\xad" + rng.randbytes(7) for _ in range(80)]
    frames = [body + bytes([sum(body) & 0xFF]) for body in bodies]
    packets, whole = [], []
    for index, frame in enumerate(frames):
        packets.append(CapturedPacket(index / 10, "c", frame[:4]))
        if rng.random() < 0.95:
            packets.append(CapturedPacket(index / 10 + 0.01, "c", frame[4:]))
            whole.append(frame)
    found = [{data for _, data in cut.frames} for cut in framing_candidates(packets) if cut.checksum is not None]
    assert any(cut_frames <= set(whole) and len(cut_frames) >= 0.85 * len(whole) for cut_frames in found)


@pytest.mark.study(everyday=2, sample=12, full=200)
def test_frames_that_contain_their_length(study_seed):
    rng = Random(study_seed)
    frames = [b"\x7e" + bytes([size]) + rng.randbytes(size) for size in rng.choices([6, 9, 14], k=80)]
    found = [
        [data for _, data in cut.frames] for cut in framing_candidates(packets_of(b"".join(frames), random_sizes(rng)))
    ]
    assert any(len(set(frames) & set(cut_frames)) >= 0.95 * len(frames) for cut_frames in found)


def test_packet_that_is_a_frame_comes_first():
    rng = Random(1)
    frames = frames_of(rng)
    first = next(framing_candidates([CapturedPacket(index / 10, "c", frame) for index, frame in enumerate(frames)]))
    assert [data for _, data in first.frames] == frames
    assert first.framing.one_per_packet


def test_lost_packets_lose_no_more_than_their_frames():
    rng = Random(2)
    frames = frames_of(rng, number=100)
    packets = [
        CapturedPacket(index + part / 10, "c", piece)
        for index, frame in enumerate(frames)
        for part, piece in enumerate((frame[:6], frame[6:]))
        if rng.random() > 0.04
    ]
    best = max(framing_candidates(packets), key=lambda cut: len({data for _, data in cut.frames} & set(frames)))
    assert len({data for _, data in best.frames} & set(frames)) >= 85
