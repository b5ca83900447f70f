"""Sets of readings whose right conclusions were written down before the judge saw them.

Each conclusion is a technician's reasoning from circuit theory, or common practice without a source: three equal
windings are sound; in star a fault shows in the two pairs of its terminal, in delta in the pair of its winding; a delta
with one winding open reads R, R and 2R; in a single-phase motor R–S is the sum of C–S and C–R. Where a coarse display
allows several conclusions, each is listed.
"""

import pytest

from support.commands import run_command, run_for_json

# readings; options; verdicts that are right; words that the answer must have
Case = tuple[str, str, str, str]

THREE_PHASE: list[Case] = [
    # sound: three equal readings, in star or in delta
    ("T1-T2=1.20 T2-T3=1.21 T1-T3=1.19", "", "within", "THREE EQUAL"),
    ("U-V=4.7 V-W=4.7 U-W=4.7", "", "within", "THREE EQUAL"),
    ("T1-T2=0.52 T2-T3=0.53 T1-T3=0.52", "", "within", "THREE EQUAL"),
    ("U-V=12.4 V-W=12.5 U-W=12.4", "", "within", ""),
    ("1-2=2.31 2-3=2.30 1-3=2.32", "--motor=three-phase", "within", ""),
    ("U1-V1=8.42 V1-W1=8.40 U1-W1=8.45", "", "within", ""),
    ("T1-T2=152.1 T2-T3=151.8 T1-T3=153.0", "", "within", ""),
    ("T1-T2=3.2 T2-T3=3.2 T1-T3=3.3", "", "within", ""),
    ("t1-t2=0.34 t2-t3=0.33 t1-t3=0.34", "", "within", ""),
    # the leads of the meter add the same to each reading: still equal
    ("T1-T2=0.72 T2-T3=0.73 T1-T3=0.72", "", "within", ""),
    # other names: equal readings are no single-phase motor's
    ("L1-L2=1.20 L2-L3=1.21 L1-L3=1.19", "", "within", "THREE EQUAL"),
    ("1-2=2.0 2-3=2.1 1-3=2.0", "", "within", "THREE EQUAL"),
    # a step of 0.1 Ω is a fifth of these windings: nobody can say that they are equal
    ("T1-T2=0.5 T2-T3=0.5 T1-T3=0.5", "", "cannot tell", "finer"),
    ("T1-T2=0.6 T2-T3=0.5 T1-T3=0.6", "", "cannot tell", "finer"),
    ("T1-T2=0.3 T2-T3=0.3 T1-T3=0.3", "", "cannot tell", ""),
    ("U-V=1.2 V-W=1.2 U-W=1.3", "", "cannot tell", ""),
    ("U-V=0.5 V-W=0.5 U-W=0.6", "", "cannot tell", ""),
    # all three are near zero: a large motor, or probes that touch
    ("T1-T2=0.05 T2-T3=0.04 T1-T3=0.05", "", "cannot tell", "large motor"),
    # a terminal that is open to both others
    ("T1-T2=2.4 T2-T3=OL T1-T3=OL", "", "open", "OPEN TO T3"),
    ("U-V=OL U-W=OL V-W=1.10", "", "open", "OPEN TO U"),
    ("T1-T2=0.42 T2-T3=OL T1-T3=OL", "", "open", "OPEN TO T3"),
    ("T1-T2=OL T2-T3=OL T1-T3=OL", "", "open", "cool"),
    ("L1-L2=OL L2-L3=OL L1-L3=OL", "--motor=3", "open", ""),
    # two pairs conduct, so the third must: a probe was off
    ("T1-T2=2.4 T2-T3=2.4 T1-T3=OL", "", "no contact", "T1–T3"),
    # a delta with one winding open: R, R and 2R, also with unzeroed leads, also on a coarse display
    ("T1-T2=6.0 T2-T3=3.0 T1-T3=3.0", "", "open", "WINDING T1–T2"),
    ("T1-T2=6.1 T2-T3=3.1 T1-T3=3.1", "", "open", "WINDING T1–T2"),
    ("U-V=0.61 V-W=1.20 U-W=0.60", "", "open", "WINDING V–W"),
    ("T1-T2=1.2 T2-T3=0.6 T1-T3=0.6", "", "open", "T1–T2"),
    ("T1-T2=0.4 T2-T3=0.8 T1-T3=0.4", "", "open", "T2–T3"),
    # R, R and 2R without marks also fit a single-phase motor with two equal windings
    ("1-2=3.0 2-3=3.0 1-3=6.0", "", "cannot tell", "question"),
    # star: turns of the winding of T1 shorted, its two pairs low; a bad joint at V, its two pairs high
    ("T1-T2=1.05 T1-T3=1.05 T2-T3=1.20", "", "outside", "T1"),
    ("U-V=2.9 V-W=2.9 U-W=2.2", "", "outside", "joint of V"),
    ("T1-T2=2.00 T2-T3=1.50 T1-T3=1.50", "", "outside", "winding of T3"),
    # delta: 3, 3 and 2 Ω, and 3, 3 and 4 Ω, worked by hand
    ("T1-T2=1.50 T2-T3=1.88 T1-T3=1.88", "", "outside", "T1–T2"),
    ("U-V=2.10 V-W=2.40 U-W=2.10", "", "outside", "V–W"),
    ("T1-T2=1.0 T2-T3=1.3 T1-T3=1.7", "", "outside", "NOT EQUAL"),
    ("T1-T2=0.412 T2-T3=0.411 T1-T3=0.455", "", "outside", "T1–T3"),
    ("T1-T2=0.45 T2-T3=0.45 T1-T3=0.50", "", "outside", "T1–T3"),
    ("T1-T2=3.0 T2-T3=3.0 T1-T3=3.3", "", "outside", "T1–T3"),
    ("T1-T2=47.2 T2-T3=47.5 T1-T3=40.1", "", "outside", "T1–T3"),
    ("T1-T2=0.02 T2-T3=1.20 T1-T3=1.21", "", "shorted", "T1–T2"),
    # no path but a damp one: T3 is open for any purpose, and nothing is sound
    ("T1-T2=2.40 T2-T3=180.0k T1-T3=182.0k", "", "open or outside", "T3"),
]

SINGLE_PHASE: list[Case] = [
    # sound: R–S is the sum of the other two, the start winding is the larger
    ("C-S=4.0 C-R=1.0 R-S=5.0", "", "within", "C, S AND R AS MARKED"),
    ("1-2=4.0 2-3=1.0 1-3=5.0", "", "within", "C = 2, S = 1, R = 3"),
    ("C-R=0.4 C-S=1.6 R-S=2.0", "", "within", "C, S AND R AS MARKED"),
    ("C-R=0.38 C-S=1.62 R-S=2.00", "", "within", "C, S AND R AS MARKED"),
    ("C-R=0.3 C-S=1.1 R-S=1.4", "", "within", ""),
    ("C-R=0.8 C-S=2.9 R-S=3.7", "", "within", ""),
    ("1-2=0.4 2-3=1.6 1-3=2.0", "", "within", "C = 2, S = 3, R = 1"),
    ("C-S=42.5 C-R=30.1 R-S=72.6", "", "within", ""),
    ("C-R=220.0 C-S=310.0 R-S=530.0", "", "within", ""),
    ("c-r=1.0 c-s=4.0 r-s=5.0", "", "within", ""),
    ("COM-RUN=1.00 COM-START=4.00 RUN-START=5.00", "", "within", "C = COM, S = START, R = RUN"),
    ("black-red=1.05 black-white=3.52 red-white=4.57", "", "within", "C = black, S = white, R = red"),
    # hot: all a fifth higher
    ("C-R=1.20 C-S=4.80 R-S=6.00", "", "within", ""),
    # leads that were not zeroed: 0.2 and 0.3 Ω in each reading
    ("C-R=0.60 C-S=1.80 R-S=2.20", "", "within", "0.2 Ω"),
    ("C-R=0.7 C-S=1.9 R-S=2.3", "", "within", ""),
    # two equal windings: a reversible fan motor
    ("1-2=30.2 2-3=30.3 1-3=60.5", "--motor=single-phase", "within", "C = 2"),
    ("1-2=30.2 2-3=30.3 1-3=60.5", "", "cannot tell", "question"),
    ("1-2=0.5 2-3=0.6 1-3=1.1", "", "cannot tell", ""),
    # open: the protector opens both paths through C
    ("C-R=OL C-S=OL R-S=5.0", "", "open", "protector"),
    ("C-R=OL C-S=OL R-S=2.0", "", "open", "cool"),
    ("C-R=1.0 C-S=OL R-S=OL", "", "open", "start winding"),
    ("C-S=4.0 C-R=OL R-S=OL", "", "open", "run winding"),
    ("C-S=OL C-R=OL R-S=OL", "", "open", "ALL"),
    ("1-2=5.0 1-3=OL 2-3=OL", "", "open", "OPEN TO 3"),
    ("C-R=1.0 C-S=4.0 R-S=OL", "", "no contact", "R–S"),
    # shorted
    ("C-R=0.02 C-S=4.00 R-S=4.01", "", "shorted", "run winding"),
    ("C-S=0.0 C-R=1.0 R-S=1.0", "", "shorted", "start winding"),
    ("R-S=0.01 C-R=1.00 C-S=1.00", "", "shorted", "bridged"),
    ("C-R=0.0 C-S=0.0 R-S=0.0", "", "shorted or cannot tell", "probes"),
    # 0.1 Ω on a display of 0.1 Ω may be a run winding or none
    ("C-R=0.1 C-S=1.5 R-S=1.6", "", "shorted or cannot tell", ""),
    # it does not add up
    ("C-R=1.0 C-S=4.0 R-S=7.0", "", "outside", "ADD UP"),
    ("C-R=1.00 C-S=4.00 R-S=3.00", "", "outside", "NOT AS MARKED"),  # written down first as a sum that does not add up
    ("C-R=0.35 C-S=1.20 R-S=1.21", "", "outside", ""),
    ("C-R=0.3 C-S=1.2 R-S=1.2", "", "cannot tell", ""),
    ("C-R=1.2 C-S=1.2 R-S=1.2", "", "outside", "THREE EQUAL"),
    ("C-R=5.0 C-S=5.0 R-S=1.0", "", "outside", ""),
    # not as marked: names swapped, or turns of the start winding shorted
    ("C-R=4.0 C-S=1.0 R-S=5.0", "", "outside", "NOT AS MARKED"),
    ("C-R=5.0 C-S=4.0 R-S=1.0", "", "outside", "NOT AS MARKED"),
    ("C-S=0.90 C-R=1.00 R-S=1.90", "", "outside", "shorted"),
    # the start winding is open, but for a damp path of megohms
    ("C-R=1.00 C-S=2.10M R-S=2.10M", "", "open or outside or cannot tell", ""),
]

LINES: list[Case] = [
    # sound
    ("460V 462V 459V", "", "within", ""),
    ("208.1V 207.6V 209.0V", "", "within", ""),
    ("230.0V 231.0V 229.0V", "--load-off", "within", ""),
    ("240.2V 239.8V 240.9V", "", "within", ""),  # line to line of a high-leg delta
    ("575V 580V 572V", "", "within", ""),
    ("400V 398V 403V", "", "within", ""),
    ("208V 210V 205V", "", "within", ""),  # 1.3 %
    ("480V 480V 470V", "", "within", ""),  # 1.4 %
    ("460V 461V 459V", "--motor-runs", "within", "cannot tell a lost phase"),
    ("10.0A 10.2A 9.9A", "", "within", ""),
    ("12A 13A 11A", "", "within", "close call"),
    ("10.0A 10.5A 9.6A", "--limit=5 %", "within", ""),
    ("101A 99A 104A", "", "within", ""),
    # unbalance: 2.8 %, 2.03 %, 3.7 %, 20 %, 14 %
    ("480V 470V 455V", "", "outside", ""),
    ("230V 235V 226V", "", "outside", "close call"),
    ("478V 450V 455V", "--motor-runs", "outside", "cannot tell a lost phase"),
    ("10.0A 12.0A 8.0A", "", "outside", ""),
    ("1.2A 1.3A 1.0A", "", "outside or cannot tell", ""),
    # a line without current, the other two alike: a lost phase
    ("12.1A 12.3A 0.0A", "", "outside", "lost L3"),
    ("0.0A 14.0A 14.2A", "", "outside", "lost L1"),
    ("14.0A 0.3A 14.2A", "", "outside", "lost L2"),
    ("21.0A 21.3A 0.2A", "", "outside", "lost L3"),
    ("9A 9A 0A", "", "outside", "lost L3"),
    ("1.8A 0.0A 1.7A", "", "outside", "lost L2"),
    # a quarter of the current still flows: unbalanced, not lost
    ("3.0A 12.0A 12.5A", "", "outside", "lost None"),
    # two to one to one: a line open before a delta transformer; root three to one to one: an open delta winding
    ("20.1A 11.5A 11.6A", "", "outside", "lost None"),
    ("17.3A 10.0A 10.0A", "", "outside", "lost None"),
    # the line side, or the load off: two voltages of the lost line collapse
    ("480V 0V 0V", "--load-off", "outside", "lost L3"),
    ("478V 239V 240V", "--load-off", "outside", "lost L3"),
    ("150V 465V 310V", "--load-off", "outside", "lost L1"),
    ("239V 240V 479V", "--load-off", "outside", "lost L2"),
    ("478V 239V 240V", "", "outside", "lost L3"),
    # while a motor runs no line is named
    ("480V 240V 241V", "--motor-runs", "outside", "lost None"),
    # two lines on one phase: nothing between them, whole volts to the third
    ("460V 455V 10V", "--load-off", "outside", "lost None"),
    ("0.3V 239.0V 240.0V", "--load-off", "outside", "lost None"),
    # volts to neutral of a high-leg delta, 120, 208, 120: unbalanced, but no line is lost
    ("120.3V 208.1V 120.2V", "--load-off", "outside", "lost None"),
    ("120V 120V 208V", "", "outside", "lost None"),
    # nothing flows
    ("0.0A 0.0A 0.0A", "", "nothing flows", ""),
    ("0.1A 0.1A 0.1A", "", "nothing flows", ""),
    ("0V 0V 0V", "", "nothing flows", ""),
]


@pytest.mark.parametrize("case", [*THREE_PHASE, *SINGLE_PHASE], ids=" ".join)
def test_windings(case: Case) -> None:
    readings, option, verdicts, words = case
    texts = [text if text[-1] in "LkM" else f"{text}ohm" for text in readings.split()]
    args = ["judge", "windings", *texts, *filter(None, [option])]
    if words == "question":
        assert run_command(*args).status == 3
        return
    status, out, err = run_command(*args, "--json")
    if verdicts == "cannot tell" and status == 3:
        return
    assert (status, err) == (0, "")
    fields = run_for_json(*args)
    assert fields["verdict"] in verdicts.split(" or "), out
    assert words in f"{fields['headline']} {fields['reason']}", out


@pytest.mark.parametrize("case", LINES, ids=" ".join)
def test_lines(case: Case) -> None:
    readings, option, verdicts, words = case
    fields = run_for_json("judge", "unbalance", *readings.split(), *filter(None, [option]))
    assert fields["verdict"] in verdicts.split(" or "), fields
    answer = f"{fields['margin']} {fields['reason']} lost {fields['lost_line']}."
    assert words in answer, fields


# One line alone cannot carry current; an overload and a negative reading have no value; volts and amps do not mix.
@pytest.mark.parametrize(
    "readings", ["12.0A 0.0A 0.0A", "460V OL 455V", "-460V 459V 461V", "460V 12A 459V", "460V 459V"]
)
def test_lines_that_are_refused(readings: str) -> None:
    status, out, err = run_command("judge", "unbalance", "--load-off", *readings.split())
    assert (status, out) == (2, "")
    assert err.startswith("meterlink: ")
