"""Counters and clocks are distinguished from the number on the display."""

from random import Random

import pytest

from meterlink.teach.counters import find_counters


def positions(*byte_numbers):
    return {8 * byte + bit for byte in byte_numbers for bit in range(8)}


@pytest.mark.parametrize("start", [0, 5, 200])
@pytest.mark.parametrize("key", [0, 0xA7])
def test_byte_that_counts_frames(start, key):
    rng = Random(start)
    frames = [bytes([0x55, (start + number & 0xFF) ^ key, rng.randrange(4)]) for number in range(60)]
    assert find_counters(frames).positions == positions(1)


def test_counter_of_four_bits_leaves_the_other_four_alone():
    frames = [bytes([0x30 | number % 16, 9]) for number in range(60)]
    assert find_counters(frames).positions == {0, 1, 2, 3}


def test_counter_of_two_bytes_of_which_both_changed():
    frames = [bytes([1, *(1000 + number).to_bytes(2, "big")]) for number in range(600)]
    assert positions(2) <= find_counters(frames).positions <= positions(1, 2)


def test_clock_in_milliseconds():
    rng = Random(3)
    now, frames = 70_000, []
    for _ in range(100):
        now += 125 + rng.randrange(-4, 5)
        frames.append(bytes([7]) + now.to_bytes(4, "little"))
    counter_bits = find_counters(frames).positions
    assert positions(1, 2) <= counter_bits
    assert not counter_bits & positions(0)


def test_clock_of_which_three_bytes_changed_has_a_fourth():
    frames = [bytes([7]) + (0x01FFF000 + 125 * number).to_bytes(4, "big") for number in range(100)]
    assert find_counters(frames).positions == positions(1, 2, 3, 4)


def test_repeated_notifications_do_not_count_twice():
    frames = [bytes([number // 2 & 0xFF, 5]) for number in range(120)]
    assert find_counters(frames).positions == positions(0)


def test_counter_that_did_not_roll_over_may_go_on():
    assert find_counters([bytes([number, 5]) for number in range(60)]).unfinished_bytes == (0,)
    assert find_counters([bytes([number & 0xFF, 5]) for number in range(600)]).unfinished_bytes == ()


def test_bit_above_a_short_counter_that_seldom_changes_is_left_alone():
    frames = [bytes([0x20 * (number // 90 % 2) | number % 32]) for number in range(500)]
    assert find_counters(frames).positions == {0, 1, 2, 3, 4}


def test_state_above_a_counter_is_no_counter():
    # The state changes now and then, but not when the counter rolls over.
    frames = [bytes([number & 0xFF, 0x10 * (number // 37 % 4)]) for number in range(400)]
    assert find_counters(frames).positions == positions(0)


def test_check_bytes_below_a_counter_are_no_clock():
    rng = Random(4)
    frames = [bytes([number & 0xFF, 0x40, 4 + rng.randrange(2), rng.randrange(256)]) for number in range(72)]
    assert find_counters(frames).positions == positions(0)


def test_decimal_counter_in_characters():
    frames = [f"b{number:05d},".encode() for number in range(95, 200)]
    assert positions(1, 2, 3, 4, 5) == find_counters(frames).positions


def test_noise_and_constants_are_no_counters():
    rng = Random(5)
    assert find_counters([bytes([9, rng.randrange(256), 0]) for _ in range(200)]).positions == frozenset()
