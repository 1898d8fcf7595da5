"""The growth of fluid with heat, and what it does to a level: ASTM D1250 / API MPMS 11.1, table 54D, lubricants.

The constants of the table were read in two public calculators; the figures below were computed from them apart from
this code.
"""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from expert import cli
from expert.arithmetic import expansion
from expert.arithmetic.spans import Span, exactly, hull

Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    """Runs a command line; returns its exit code and what it printed."""

    def run(*arguments: str) -> tuple[int, str, str]:
        capsys.readouterr()
        code = cli.run(list(arguments))
        out, err = capsys.readouterr()
        return code, out, err

    return run


@pytest.mark.parametrize(("density", "alpha"), [(850, 7.386e-4), (860, 7.300e-4), (870, 7.216e-4)])
def test_growth_a_degree(density: float, alpha: float) -> None:
    assert expansion.coefficient(density) == pytest.approx(alpha, abs=5e-8)


@pytest.mark.parametrize(
    ("celsius", "vcf"),
    [
        (-20, 1.025344),
        (0, 1.010913),
        (20, 0.996346),
        (40, 0.981654),
        (60, 0.966849),
        (80, 0.951942),
        (90, 0.944454),
        (100, 0.936946),
    ],
)
def test_volume_correction_factor(celsius: float, vcf: float) -> None:
    """860 kg/m3 at 15 C."""
    assert expansion.factor(860, celsius) == pytest.approx(vcf, abs=5e-7)


@pytest.mark.parametrize(("hot", "ratio"), [(80, 1.046646), (90, 1.054944)])
def test_hot_over_cold(hot: float, ratio: float) -> None:
    """From 20 C, 860 kg/m3."""
    assert expansion.growth(860, 20, hot) == pytest.approx(ratio, abs=5e-7)


def test_eight_litres() -> None:
    """8.0 L at 20 C grow by 0.373 L to 80 C; on straight lines of 7.0e-4 and 6.3e-4 a degree by 0.336 and 0.302 L."""
    grown = expansion.grown(exactly(8), exactly(860), exactly(20), exactly(80))
    assert grown == pytest.approx([0.373, 0.373], abs=5e-4)
    assert pytest.approx((0.336, 0.302), abs=5e-4) == (8 * 60 * 7.0e-4, 8 * 60 * 6.3e-4)
    assert grown.low > 0.336, "the law is steeper than the straight lines in use"


SPAN = st.tuples(st.floats(840, 910), st.floats(840, 910)).map(hull)
COLD = st.floats(-40, 60)


@given(density=st.floats(700, 1100), cold=COLD, more=st.floats(0.5, 80), still=st.floats(0.5, 10))
def test_hotter_is_more_and_back_again_the_same(density: float, cold: float, more: float, still: float) -> None:
    hot = cold + more
    assert expansion.growth(density, cold, hot) > 1
    assert expansion.growth(density, cold, hot + still) > expansion.growth(density, cold, hot)
    assert expansion.growth(density - 20, cold, hot) > expansion.growth(density, cold, hot)
    there_and_back = expansion.growth(density, cold, hot) * expansion.growth(density, hot, cold)
    assert there_and_back == pytest.approx(1, rel=1e-12)
    assert expansion.factor(density, expansion.BASE) == 1


@given(density=SPAN, cold=COLD, more=st.floats(1, 80), part=st.floats(0, 1))
def test_the_range_holds_every_density_in_it(density: Span, cold: float, more: float, part: float) -> None:
    inside = density.low + part * (density.high - density.low)
    found = expansion.grown(exactly(8), density, exactly(cold), exactly(cold + more))
    assert 0 < found.low <= found.high
    one = 8 * (expansion.growth(inside, cold, cold + more) - 1)
    assert found.low - 1e-12 <= one <= found.high + 1e-12


def test_the_command_holds_the_computed_figure(call: Call) -> None:
    line = ["rate", "--fill", "8 L", "--cold", "20 C", "--hot", "80 C", "--json"]
    _, out, _ = call(*line)
    low, high = json.loads(out)["growth_ml"]
    assert low <= 373 <= high
    assert high - low < 20, "the range is that of the density alone"
    _, out, _ = call(*line, "--density", "860 kg/m3")
    assert json.loads(out)["growth_ml"] == pytest.approx([373.17, 373.17], abs=0.05)
    _, fahrenheit, _ = call("rate", "--fill", "8 L", "--cold", "68 F", "--hot", "176 F", "--json")
    assert json.loads(fahrenheit)["growth_ml"] == pytest.approx([low, high], abs=1e-3)


def test_a_level_read_cold_is_no_leak(call: Call) -> None:
    """What is missing and is not more than the growth may be no leak; the more that is missing, the less so."""
    found = {}
    for lost in ("0.3 L", "1 L"):
        _, out, _ = call("rate", "--fill", "8 L", "--lost", f"{lost} in 3 days", "--json")
        found[lost] = json.loads(out)["growth_may_explain_it"]
        _, text, _ = call("rate", "--fill", "8 L", "--lost", f"{lost} in 3 days")
        assert ("there may be no leak at all" in " ".join(text.split())) == found[lost]
        assert "that is no leak" in " ".join(text.split()), "a cold level reads low, whatever is missing"
    assert found == {"0.3 L": True, "1 L": False}


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (["--fill", "8 L", "--cold", "80 C", "--hot", "20 C"], "were they swapped"),
        # TM 9-2320-386-10 p. 3-22, read: the level is not checked above 300 F (149 C).
        (["--fill", "8 L", "--hot", "301 F"], "TM 9-2320-386-10"),
        (["--fill", "8 L", "--cold", "-50 C"], "does not reach below"),
        (["--fill", "8 L", "--fluid", "coolant"], "does not hold for coolant"),
        (["--fill", "0 L"], "cannot be"),
        (["--fill", "-8 L"], "cannot be"),
        (["--fill", "8 furlongs"], "no unit of volume"),
        (["--cold", "20 C"], "--cold goes with --fill"),
        (["--fill", "8 L", "--density", "5 kg/m3"], "cannot be"),
    ],
)
def test_bad_input_is_refused_in_words(call: Call, line: list[str], said: str) -> None:
    code, out, err = call("rate", *line)
    assert (code, out) == (2, "")
    assert said in err


def test_300_fahrenheit_is_still_checked(call: Call) -> None:
    assert call("rate", "--fill", "8 L", "--hot", "300 F")[0] == 0
