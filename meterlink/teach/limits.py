"""The numbers that limit the search for slow bytes, rivals and the yield of a profile, each with its reason."""

FEWEST_COUNTED_STEPS = 2
"""Steps by one that make a number: the second changes two bits at once, as no flag does."""

FEWEST_STEPS_BETWEEN_BREAKS = 8
"""Steps by one for each break: a decimal digit makes nine before it rolls over; noise breaks at every second step."""

LARGEST_LEVEL_STEP = 8
"""The largest step between two frames of a measured level: the noise of a measured battery is a few millivolts
(common practice, no source)."""

LARGEST_PERCENTAGE = 100
"""A level that stays below needs seven bits of its byte."""

LEAST_LEVEL_VALUES = 4
"""Different values of a measured level: two or three flags make as many."""

FLAG_CHANGES = 3
"""Changes from which a byte that does not count is taken for a flag that comes and goes."""

FEWEST_PAUSED_BITS = 3
"""Bits of one byte that must change over a pause: a flag or two may have been switched meanwhile."""

PAUSE_SECONDS = 600.0
"""A gap that parts two recordings, seconds: longer than anybody waits for a reading."""

LONGEST_DAY_SECONDS = 10 * 3600.0
"""A byte that needs longer to roll over does not matter: a meter is switched off in between, seconds."""

LONGEST_WAIT_SECONDS = 900.0
"""The longest recording asked for, seconds: a byte that counts seconds rolls over in 256 s; a quarter of an hour is the
patience of a person beside a meter (common practice, no source)."""

LONG_RECORDING_SECONDS = 3000.0
"""Seconds from the first packet to the last of a recording in which a clock or the level of a battery moves: a battery
of 20 to 100 hours falls by one per cent in 12 to 60 minutes (common practice, no source)."""

MOST_FRAMES_FOR_SLOW_BYTES = 20_000
"""Frames looked at; of more, every second or third."""

LEAST_YIELD = 0.9
"""Share of the frames without an entry that a profile must read before it is called sure: while parts are swapped, a
display is blank or between two ranges in up to a tenth of its frames (measured in the simulated sessions)."""

FEWEST_ALIKE = 3
"""Refused frames of one kind before an entry for them is asked for: fewer are a display between two states."""

MOST_FRAMES_COMPARED = 2_000
"""Frames on which two explanations are compared: more of one capture differ in the same bits."""

FEWEST_PREDICTIONS = 8
"""Entries that repeat a half byte of a code and agree on its meaning, before it may stand for a second entry: bits that
have nothing to do with the meaning agree that often once in 256 codes."""

MOST_PACKETS = 20_000
"""Packets that teaching looks at: half an hour of a meter that sends ten a second."""

MOST_BYTES = 300_000
"""Bytes of packets that teaching looks at: the search for a frame's length compares each with a hundred others."""

NEAR_ENTRY_SECONDS = 5.0
"""Seconds beside an entry whose packets are kept first: the display was at the same part or on its way there."""

ENOUGH_DIFFERENT_NUMBERS = 14
"""Different numbers that show the segments of a display: with n, each of a hundred bits and its opposite follows one
segment by chance once in 2**(n - 1) / 200, and the segments of three or four digits must be told apart."""

LEAST_SHARE_BEGUN = 0.5
"""Of the packets that begin a frame in a way of cutting that an entry contradicts, the share that another way needs to
be taken instead: frames cut amid packets begin where hardly any packet does."""
