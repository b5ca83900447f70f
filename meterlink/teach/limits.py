"""The thresholds of teaching: every number that decides, or that bounds its work, with its reason.

Other modules read them as ``limits.NAME``. Three kinds of number are elsewhere, because they are no choice: sizes of
bytes and digits, the widths of the number formats, and the shapes of a seven-segment display. The page on the limits of
teaching has the modules that use each, and its effect at other values (`tests/studies/teaching/sweep.py`).
"""

# Entries, and the demands on a profile.

FEWEST_ENTRIES = 4
"""Entries that teaching needs before it tries anything, and that a profile is made from where others are slips."""

FEWEST_DIFFERENT_NUMBERS = 4
"""Different numbers that an encoding needs: with three, any three bits that differ could be the number."""

LEAST_EVIDENCE_BITS = 24.0
"""Bits of evidence that a number or a checksum needs beyond the best match in noise among all that were tried."""

LEAST_SHARE_LABELLED = 0.8
"""Share of entries that must have a frame in their window, else frames are cut wrongly."""

LEAST_SHARE_LABELLED_CHECKED = 0.65
"""The same share if a checksum shows that frames are cut right."""

LEAST_SHARE_BEGUN = 0.5
"""Of the packets that begin a frame in a way of cutting that an entry contradicts, the share that another way needs to
be taken instead: frames cut amid packets begin where hardly any packet does."""

HELD_OUT_GROUPS = 10
"""Groups of entries held out in turn: each costs the time of one profile."""

FEWEST_SURE = 8
"""Held-out readings of one function decoded right, from which it is called sure; with fewer, the wording is careful."""

LEAST_YIELD = 0.9
"""Share of the frames without an entry that a profile must read before it is called sure: while parts are swapped, a
display is blank or between two ranges in up to a tenth of its frames (measured in the simulated sessions)."""

FEWEST_ALIKE = 3
"""Packets, lines or refused frames of one kind that make it a kind, and entries of either value of a bit: fewer are
damage, chance, or a display between two states."""

FEWEST_PREDICTIONS = 8
"""Entries that repeat a half byte of a code and agree on its meaning, before it may stand for a second entry: bits that
have nothing to do with the meaning agree that often once in 256 codes."""

MOST_FRAMES_COMPARED = 2_000
"""Frames on which two explanations are compared, and in which counters are looked for: more of one capture differ in
the same bits."""

# Cutting packets into frames.

LONGEST_FRAME = 128
"""Bytes; no display needs more."""

SHORTEST_FRAME = 3
"""Bytes; a number of four digits with unit and point needs as many."""

LONGEST_MARK = 3
"""Bytes of a start mark; the rest of a constant beginning is checked as part of the frame."""

MOST_LOST = 0.1
"""Share of packets that may be lost, damaged or cut by the beginning of the capture."""

LEAST_MAJORITY = 0.6
"""Share of frames that begin where a packet does, or whose distance a length byte gives; with fewer, packets do not
show the frames. Share of the frames that a profile reads; with fewer, they may have to be cut otherwise. Share of the
entries read where frames are of two packets, and may be left out beside an unknown bit. Share of steps of a clock that
are equally large; of evenly spread noise, a third are."""

NEAR_BEST = 0.85
"""Of the best score of a frame length; noise in a score is a few per cent."""

MOST_KINDS = 4
"""Values of a byte that tells kinds of packets apart; a byte with more values is contents, not a kind."""

MOST_TELLING_BYTES = 3
"""Bytes that may tell kinds apart, tried in turn."""

MOST_MARKS = 8
"""Start marks tried: the most frequent at the beginning of packets, and the most frequent anywhere."""

MOST_WAYS = 12
"""Ways of cutting tried for each channel."""

MOST_TIMES_AS_LONG = 3.0
"""Times as long as frames of that length take when cut elsewhere: a longer frame waits for parts of the next."""

NEARLY_ALL = 0.97
"""Share of frames or lines whose packets say how they come: a few have lost one. Share of bytes that are printable in
text: the first packet may be half a line."""

SLACK_OF_PAUSES = 1.5
"""Times the longest wait within a frame or line that was recorded; with a longer one, its rest is lost."""

LEAST_PAUSE_SECONDS = 0.05
"""Seconds; so much more than the longest wait, at least: one event of a slow connection."""

LEAST_SHARE_JOINED = 0.5
"""Share of lines that begin in one packet with the end of another: fewer are too few to be read alone."""

MOST_TAILS = 50
"""Lines whose tails are tried: a tail that reads as a line of its own is soon found."""

# Frames of two packets.

FEWEST_PAIRS = 20
"""Pairs of packets from which the order and the times of two kinds are learned: one in twenty may come otherwise."""

LEAST_REST_RATIO = 2.0
"""The rest between two frames of two packets, in times between these packets: with less, a packet that comes late may
be that of the frame before, or that of its own."""

MOST_CHANNELS_PAIRED = 3
"""Characteristics of which two may have the two packets of a frame: the busiest ones."""

# Checksums.

FRAMES_CHECKED = 64
"""Different frames used: each adds the width of the checksum to the evidence."""

FRAMES_OF_A_GROUP = 12
"""Frames tried as one group where some frame may be damaged."""

MOST_GROUPS = 6
"""Groups of frames tried: with one damaged frame in ten, one of six groups is whole nine times in ten."""

LEAST_SHARE_SOUND = 0.8
"""Share of frames that pass; more damage leaves too little to learn from."""

FRAMES_PER_KEY = 4
"""Frames that rule out most keys."""

LONGEST_HEAD = 4
"""First characters of a line that its checksum may leave out, or that come before its hexadecimal digits, such as the
colon of Intel's HEX format."""

FEWEST_COVERED = 2
"""Changing bytes under the checksum; the sum of one byte is a copy of it."""

# Lines of hexadecimal digits.

FEWEST_HEXADECIMAL_LINES = 8
"""Fewer lines are soon all of hexadecimal digits by chance."""

# Counters.

FEWEST_COUNTED_FRAMES = 12
"""Frames in a row; in fewer, a bit may change every time by chance."""

MOST_STEPS_AT_ONCE = 8
"""Usual steps in one step, after lost packets or a silence."""

UNEVEN_STEPS = 0.2
"""Share of the usual step by which an equal one may differ: packets arrive unevenly."""

LEAST_SHARE_COUNTING = 0.8
"""Share of steps by one, or of carries at a roll-over, of a counter."""

MOST_AMISS = 0.25
"""Share of a bit's changes that may fall outside the falls of the bit below."""

FEWEST_CHAINED_BITS = 3
"""Bits that must carry into each other before they count as a counter."""

LARGEST_CLOCK_STEP = 32
"""A clock goes up by less than one such part of its range in a step."""

# Slow bytes.

FEWEST_COUNTED_STEPS = 2
"""Steps by one that make a number: the second changes two bits at once, as no flag does."""

FEWEST_STEPS_BETWEEN_BREAKS = 8
"""Steps by one for each break: a decimal digit makes nine before it rolls over; noise breaks at every second step."""

LARGEST_LEVEL_STEP = 8
"""The largest step between two frames of a measured level: the noise of a measured battery is a few millivolts
(common practice, no source)."""

LARGEST_PERCENTAGE = 100
"""A level that stays below needs seven bits of its byte."""

FASTEST_PERCENT_SECONDS = 10.0
"""Seconds per step of a level in per cent, at least: no battery of a meter is empty within a quarter of an hour (common
practice, no source)."""

LEAST_LEVEL_VALUES = 4
"""Different values of a measured level: two or three flags make as many."""

FLAG_CHANGES = 3
"""Changes of a bit while the number stays the same, from which it comes and goes: a flag in a byte that does not count,
an idle bit beside another one that might be the sign. Swapping leads under a steady source shows other numbers in
between."""

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

# Encodings of the number.

WIDEST_SPAN = 40
"""Bits from the lowest to the highest of a number: a 32-bit field shifted by up to a byte."""

WIDEST_FIELD = 32
"""Bits of a number: four thousand million counts."""

LEAST_SIGN_EVIDENCE = 7.0
"""Bits: a flag follows the sign of so many readings by chance once in over a hundred meters."""

FEWEST_CODED_PLACES = 2
"""Digits with codes of their own: one place with ten codes is a range code as well as a digit."""

RESERVED_AT_TOP = 16
"""Highest numbers of a field of whole bytes that are no readings: overload, blank and the words of a display count down
from all ones (common practice, no source). A display of 65,519 counts and less does not reach them."""

FEWEST_BYTES_RESERVED = 2
"""Bytes of a field whose highest numbers are no readings: of one byte they would be one in sixteen."""

MOST_FINER_POWERS = 4
"""Powers of ten by which a meter's own unit may be finer than the finest range seen."""

READINGS_PER_SCALE = 3
"""Readings for each scale of a rounded unit: a scale of its own for every reading or two explains anything."""

FARTHEST_POWERS = 12
"""Powers of ten between a binary float and the shown number: from pF to whole units."""

LARGEST_FLOAT_DIFFERENCE = 100
"""One part in so many: by less, a number finer than the display may vary under one entry."""

LARGEST_STEP_OF_A_FLOAT = 0.02
"""Share of a number by which a display moves between its packets, at most, unless it is near zero: the float of the
last packet, times a power of ten, must be so near to the number shown."""

ENOUGH_DIFFERENT_NUMBERS = 14
"""Different numbers that show the segments of a display: with n, each of a hundred bits and its opposite follows one
segment by chance once in 2**(n - 1) / 200, and the segments of three or four digits must be told apart."""

TIMES_ENOUGH = 2
"""Times as many different numbers, from which no more are asked for: no known way of writing is missed with so many."""

FRAMES_OF_A_DISPLAY = 500
"""Different frames of a display used, with or without an entry; more add hardly anything."""

FEWEST_MOVES_OF_A_SEGMENT = 2
"""Frames in which a segment must have changed: a single one may show a display between two numbers."""

# States beside the number.

FEWEST_RESTLESS_BITS = 5
"""Bits of a byte that change while the display does not, from which it is noise: the others cannot hold much of a
code."""

MOST_CHANCE = 0.02
"""Probability that bits tell ranges apart by chance, from which they are left out."""

FEWEST_POINTS_APART = 3
"""Decimal points with bits of their own; with two, a range code that counts 0, 1, 2 looks the same."""

MOST_OVERLOAD_VALUES = 2
"""Values that mean an overload: one of either sign."""

LARGEST_SETTLING_STEP = 0.1
"""Share of the digits by which a display that settles moves from packet to packet, at most; of two ranges, the digits
are as near to each other once in ten times."""

LEAST_COUNTS_COMPARED = 50
"""Counts of two ranges that are compared: fewer, as with shorted leads, are alike in every range."""

# Packets beside the frames.

MOST_PACKETS_BESIDE = 16
"""Packets without a number whose state is learned, and contents of one kind: a meter has a few."""

FEWEST_PACKETS_BESIDE = 8
"""Packets of such a kind: fewer do not show which of their bits stay as they are."""

LONGEST_GAP_BESIDE = 10.0
"""Seconds from one packet that tells a state to the next: a notice of a key or of a battery comes by itself, and would
stop all readings until another one, so long that a person takes the meter for broken (no source)."""

FEWEST_CHANGES_WITH_DISPLAY = 4
"""Changes of such packets that come with another unit or range: four by chance once in 250 meters, as the frames
around one change in four show two."""

MOST_FLAG_BITS = 2
"""Bits of a byte that changed beside which the others may be states: more are a number, which may grow into them."""

MOST_UPPER_BYTES = 2
"""Bytes of a number that stood still beside one that moved: of four bytes, the lower two move within a minute."""

LARGEST_BARS = 7
"""A level in bars stays below: a display has three to five (common practice, no source)."""

# Slips and moving displays.

READ_BEFORE_KEY = (0.8, 2.2)
"""Seconds before the first key between which a person reads: 1 to 2 s, and a refresh (no source)."""

LEAST_QUALITY = 0.7
"""Quality of a guess that is worth a search: with 25 entries noise comes to 0.55, the right frames to 0.85 and more
(`tests/studies/teaching/people.py`)."""

LEAST_SHARE_AT_A_GLANCE = 0.125
"""Share of entries whose number is in one of two frames looked at first, so that all frames are looked at: of noise,
one in twenty is; where the last digit flickers by a count, half are."""

MOST_GUESSES = 3
"""Ways of writing that are worth a search."""

MOST_MISSES = 0.3
"""Share of entries that a bit may miss: of bits that do not belong to the number, half miss."""

WEIGHT_OF_TIME = 0.05
"""Weight of the time that a frame was shown, beside that of the bits that agree."""

MOST_LIVELY = 0.4
"""Share of changes from frame to frame, above which a bit is noise or a fast counter, and not a digit."""

LEFT_OUT_IN_TURN = (0, 1, 2, 3, 4, 5, 6, 8, 10, 12)
"""Entries left out in turn, those that agree least: slips, and displays that moved too much."""

SIZES_OF_A_CHOICE = (6, 7, 9, 13)
"""Entries of a random choice: few are free of slips more often, segments need thirteen."""

MOST_PROFILES = 60
"""Profiles made in one search: each takes 0.02 to 0.2 s, so that the search ends within about ten seconds."""

PROFILES_BESIDE = 8
"""Profiles beside one an entry: few entries need few."""

PROFILES_TO_GROW = 30
"""Profiles more, if the last choice was a right one."""

FEW_SLIPS = 6
"""One entry in so many: with so few slips the search ends at once."""

MANY_SLIPS = 3
"""One entry in so many: with more slips there is nothing that the others agree on."""

MOVING_COUNTS = 3
"""Counts between two values of a display that moves around the one that was read."""

MOST_ROUNDS = 4
"""Rounds of guessing bits from frames and frames from bits, of reading digits by those known, or of adding the entries
that a profile explains; later ones change nothing."""

MOST_WAYS_LOOKED_AT = 4
"""Ways of cutting, the likeliest first, in which the number shown is looked for."""

MOST_WAYS_BLAMED = 2
"""Ways of cutting in which agreement, and the wrong entries, are looked for."""

# Long captures.

MOST_PACKETS = 20_000
"""Packets that teaching looks at: half an hour of a meter that sends ten a second."""

MOST_BYTES = 300_000
"""Bytes of packets that teaching looks at: the search for a frame's length compares each with a hundred others."""

NEAR_ENTRY_SECONDS = 5.0
"""Seconds beside an entry whose packets are kept first: the display was at the same part or on its way there."""

STRETCHES = 50
"""Parts of a long capture, of which each is seen."""


# Packets that look masked with a key of their own.

MOST_MASKED_FRAMES = 600
"""Packets looked at: a key with an index of one byte comes again after 256."""

FEWEST_MASKED_FRAMES = 60
"""Packets that show a mask, and pairs of them that show that a key comes again: fewer are alike by chance."""

FEWEST_MASKED_BYTES = 5
"""Bytes that a mask changes, at least: a counter of two bytes with two check bytes is four."""

LEAST_SHARE_MASKED = 0.6
"""The same as a share of a packet: marks and the index of the key may stand in the clear."""

MASK_SHARE = 0.7
"""Share of the packets in which a masked byte changes, or changes as others do: packets get lost."""

FEWEST_MASK_TRACES = 3
"""Bytes that show the same trace of a mask: two counters are two."""

SHORTEST_KEY_PERIOD = 5
"""Packets after which a key comes again, at least: kinds of frames that take turns come again after two to four."""

LEAST_SHARE_OF_A_STREAM = 0.4
"""Share of the bytes that are equal one frame later, where frames run on over packets: marks, unit and range, and most
digits. Under a mask, one in 256 is."""

LONGEST_KEY_PERIOD = 300
"""Packets after which a key comes again, at most: an index of one byte, and some lost packets."""

LEAST_KEY_RETURNS = 0.15
"""Share of the packets after which a key comes again: each packet lost in between shifts it; at one in a hundred, 256
packets are whole once in thirteen times."""

KEY_RETURNS_OFTENER = 5.0
"""Times oftener than after any other number of packets: a display has few values, and they come again, too."""

LARGEST_SHARE_OF_A_KEY = 0.1
"""Share of the packets in which a byte masked alike with others has its most frequent value: a key of one byte has 256
values. The bytes of a binary float of 64 bits change alike, too, but repeat 33, 66, 99 and CC."""

NEARLY_ALL_MASKED = 0.9
"""Share of the packets that have one length; and, without a trace, of the bytes that differ from packet to packet."""

FEWEST_STEADY_STEPS = 12
"""Steps from packet to packet under one display that show that nearly all bytes differ."""
