"""A claim of so many sparks, weighed: degrees of crank are 6 N t, 6 a millisecond at 1000 rpm."""

import pytest

from sparkwitness.bench.claim import check_claim


@pytest.mark.parametrize(
    ("sparks", "pitch", "window", "each", "needed", "possible", "verdict"),
    [
        # Two firings a turn. Four sparks last three spacings of 6 degrees.
        (8.0, 180.0, 20.0, 4.0, 18.0, 8.0, "possible"),
        (8.0, 180.0, 18.0, 4.0, 18.0, 8.0, "possible"),
        (8.0, 180.0, 17.99, 4.0, 18.0, 6.0, "not with these"),
        # Of 4.1 on the average some have five.
        (8.2, 180.0, 20.0, 4.1, 24.0, 8.0, "not with these"),
        (7.8, 180.0, 20.0, 3.9, 18.0, 8.0, "possible"),
        (2.0, 180.0, 0.0, 1.0, 0.0, 2.0, "possible"), (0.5, 360.0, 0.0, 0.5, 0.0, 1.0, "possible"),
        (1.1, 360.0, 5.0, 1.1, 6.0, 1.0, "not with these"),
        # 16 in 90 degrees meet the next firing, 15 do not.
        (64.0, 90.0, 20.0, 16.0, 90.0, 16.0, "impossible"),
        (60.0, 90.0, 20.0, 15.0, 84.0, 16.0, "not with these"),
    ],
)  # fmt: skip
def test_a_claim_by_hand(sparks, pitch, window, each, needed, possible, verdict):
    found = check_claim(sparks, 1000.0, pitch, 1000.0, window)
    assert found.sparks_per_event == pytest.approx(each)
    assert found.window_deg == pytest.approx(needed, abs=1e-9) and found.verdict == verdict
    assert found.possible == pytest.approx(possible)
    assert (found.sparks_per_rev, found.rpm, found.pitch_deg) == (sparks, 1000.0, pitch)
    assert (found.spacing_given_us, found.window_given_deg) == (1000.0, window)
    if needed:
        assert found.spacing_us == pytest.approx(1000.0 * window / needed)
    else:
        assert found.spacing_us is None


def test_twice_the_speed_is_half_the_time():
    found = check_claim(8.0, 2000.0, 180.0, 500.0, 20.0)
    assert (found.window_deg, found.spacing_us) == pytest.approx((18.0, 555.5556))
    assert found.verdict == "possible"
