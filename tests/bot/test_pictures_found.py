"""What the pictures mark and say is what the statistics find."""

from __future__ import annotations

import re

from bot import pictures
from bot.pictures import Facility, Month, Point, Row
from flows import planning, statistics
from tests.bot.pictures_stand import (
    LIGHT,
    MONTHS,
    STAGES,
    WAFERS,
    control,
    funnel,
    methods,
    of_kind,
    risk,
    run,
    stages,
    texts,
    timeline,
    turnaround,
    week,
)


def test_the_control_chart_marks_what_is_beyond_the_limits_and_names_it() -> None:
    """Which points: NIST/SEMATECH e-Handbook 6.3.3.2 finds wafers 15 and 23."""
    picture = control(link="/desk/x")
    marked = [one.look["x"] for one in of_kind(picture, "signal")]
    every = sorted((*of_kind(picture, "point"), *of_kind(picture, "signal")),
                   key=lambda one: float(one.look["x"]))  # fmt: skip

    assert len(every) == len(WAFERS)
    assert [i + 1 for i, one in enumerate(every) if one.look["x"] in marked] == [15, 23]
    assert "beyond the limits" in texts(picture)
    assert "Beyond the limits: Month 15 (44 %) and Month 23 (48 %)." in picture.sentence
    assert "Month missed: 23 % in all (347 of 1500)." in picture.sentence
    assert picture.rows[14] == Row(
        ("Month 15", "22", "50", "44 %", "5.2 % to 41 %", "beyond the limits"), "/desk/x"
    )


def test_a_control_chart_in_which_no_rule_is_broken_says_that() -> None:
    sizes, counts = [40, 12, 40, 120] * 3, [6, 1, 5, 18, 5, 2, 7, 17, 6, 2, 5, 19]
    points = [Point(f"W{i}", k, n) for i, (k, n) in enumerate(zip(counts, sizes, strict=True))]
    chart = statistics.p_chart(counts, sizes)
    picture = pictures.control_chart("c", "C", "missed", points, chart)

    assert chart.signals == ()
    assert "No rule of the chart is broken" in picture.sentence
    assert of_kind(picture, "signal") == []


def test_the_run_chart_marks_the_points_of_each_run_and_not_those_on_the_line() -> None:
    """The median is 0.4, and the fifth point lies on it; the fourth is a gap."""
    picture = run()
    shift = [i for i, row in enumerate(picture.rows) if "shift" in row.cells[2]]

    assert shift == [0, 1, 2, 5, 6, 7, 8, 9, 10, 11, 12, 13]
    assert len(of_kind(picture, "signal")) == len(shift)
    assert len(of_kind(picture, "point")) == 1
    assert {"shift", "few crossings"} <= set(texts(picture))
    assert "Shift, Month 1 to Month 8: 6 points in a row above" in picture.sentence
    assert "Shift, Month 9 to Month 14: 6 points in a row below" in picture.sentence
    assert picture.rows[3].cells == ("Month 4", "", "")


def test_a_long_series_shows_its_latest_points_and_stays_light() -> None:
    counts = [i * 7 % 31 for i in range(400)]
    points = [Point(f"day {i}", k, 40) for i, k in enumerate(counts)]
    chart = statistics.p_chart(counts, [40] * 400)
    picture = pictures.control_chart("c", "C", "missed", points, chart)

    assert len(of_kind(picture, "point")) + len(of_kind(picture, "signal")) == 120
    assert len(picture.rows) == 400
    assert "The picture shows the latest 120 points." in picture.sentence
    assert len(picture.svg) < LIGHT


def test_the_funnel_names_the_facilities_outside_and_no_other() -> None:
    picture = funnel()
    places = [statistics.funnel_place(30, 50, 0.9), statistics.funnel_place(41, 100, 0.9)]

    assert [place.level for place in places] == ["alarm", "alarm"]
    assert len(of_kind(picture, "alarm")) == 2
    assert of_kind(picture, "alert") == []
    assert len(of_kind(picture, "inside")) == 3
    assert {text for text in texts(picture) if text.startswith("Facility")} == {
        "Facility released", "Facility low", "Facility lower",
    }  # fmt: skip
    assert "Facility lower (below the 99.8 % limits, 41 %, 41 of 100)" in picture.sentence
    assert {"95 %", "99.8 %", "target 90 %"} <= set(texts(picture))


def test_a_funnel_of_many_says_how_many_lie_outside_by_chance() -> None:
    facilities = [Facility(f"F{i}", 36, 40) for i in range(39)] + [Facility("G", 31, 40)]
    picture = pictures.funnel("f", "F", "released", facilities, 0.9)

    assert statistics.funnel_place(31, 40, 0.9).level == "alert"
    assert len(of_kind(picture, "alert")) == 1
    assert "By chance alone about 2 of so many" in picture.sentence


def test_the_turnaround_marks_median_and_90th_percentile() -> None:
    """100 times: the 50th lies in the bin from 135 minutes, the 90th in that from 255."""
    picture = turnaround()

    assert {"median 2 h 15 min", "90th percentile 4 h 15 min"} <= set(texts(picture))
    assert "100 in all: the median is 2 h 15 min" in picture.sentence
    assert "nine of ten took less than 4 h 30 min. 1 took 8 h or longer." in picture.sentence
    assert sum(int(row.cells[2]) for row in picture.rows) == 100
    assert picture.rows[-1].cells[3] == "100 %"


def test_the_methods_fill_each_month_by_their_shares_and_print_its_number() -> None:
    picture = methods()
    blocks = [re.fullmatch(r"M([\d.]+) ([\d.]+)H([\d.]+)V.*", one.look["d"])
              for one in of_kind(picture, "share")]  # fmt: skip
    wide = [float(b[3]) - float(b[1]) for b in blocks if b]

    assert [text for text in texts(picture) if text.startswith("of ") or text == "none"] == [
        f"of {a + b}" if a + b else "none" for _, a, b in MONTHS
    ]
    assert sorted(round(w / (wide[0] + wide[1]), 2) for w in wide) == [0.2, 0.25, 0.75, 0.8]
    assert len({one.look["fill"] for one in of_kind(picture, "share")}) == 2
    assert "Of 100 batches: boiling 58 % (58) and chlorine 42 % (42)." in picture.sentence
    assert "boiling went from 25 % of 40 to 80 % of 60" in picture.sentence


def test_more_methods_than_can_be_told_apart_are_one_other() -> None:
    many = Month("2026-01", {f"method {i}": 20 - i for i in range(9)})
    picture = pictures.methods("m", "M", [many])

    assert texts(picture)[:7] == [*(f"method {i}" for i in range(6)), "other"]
    assert len(of_kind(picture, "share")) == 7
    assert picture.columns[-2] == "method 8"


def test_the_stages_say_where_most_batches_stop() -> None:
    picture = stages()

    assert {str(reached) for _, reached in STAGES} <= set(texts(picture))
    assert {"8 stopped before", "20 stopped before"} <= set(texts(picture))
    assert picture.sentence == ("Of 120 batches at Opened, 84 reached READY. Most stop between "
                                "Rinsed and Exposure over: 20.")  # fmt: skip
    assert len(of_kind(picture, "stage")) == len(STAGES)


def test_the_week_has_a_number_for_every_hour_and_none_reads_as_all_that_is_not() -> None:
    picture = week()
    numbers = [text for text in texts(picture) if re.fullmatch(r"\d+|-", text)]

    assert len(numbers) == 7 * 24
    assert numbers.count("-") == 1
    assert numbers.count("0") == 1
    assert numbers.count("100") == len(numbers) - 1 - len(of_kind(picture, "hour"))
    assert picture.rows[1].cells[2] == "99.9 %"
    assert "Look at Sunday 04:00: 0 %" in picture.sentence


def test_the_risk_curve_marks_what_is_owned_and_what_is_needed() -> None:
    picture = risk(2, 4)
    (owned,), (needed,) = of_kind(picture, "owned"), of_kind(picture, "needed")

    assert float(owned.look["x"]) < float(needed.look["x"])
    assert f"{100 * planning.erlang_b(2, 0.6):.0f} % of the births" in picture.sentence
    assert picture.sentence.endswith(": 2 more.")
    assert picture.rows[4].cells[2] == "needed"
    assert "within the 1 % that is accepted, 1 more than needed" in risk(5, 4).sentence
    assert "owned and needed: 4, 0.3 %" in texts(risk(4, 4))
    assert risk(4, 4).sentence.endswith("that is within the 1 % that is accepted.")


def test_the_time_line_has_a_line_for_each_condition_and_the_batches() -> None:
    """READY for 42 of 48 hours; 06:00 in UTC is 09:00 in the facility's zone."""
    picture = timeline()

    assert texts(picture)[:4] == ["READY", "IN PROCESS", "USED", "batches"]
    assert len(of_kind(picture, "span")) == 4
    assert picture.sentence == (
        "READY 88 % of the time from 2026-03-01 09:00 to 2026-03-03 09:00, with 1 batch. In the "
        "end READY, since 2026-03-02 21:00."
    )
    assert Row(("batch TAM-7", "2026-03-02 17:00", "2026-03-02 21:00", "4 h"),
               "/desk/batch/TAM-7") in picture.rows  # fmt: skip
