"""The whole way: what may be told, what is refused, progress and cancel, segments, honest uncertainties."""

from __future__ import annotations

from dataclasses import asdict, replace
from itertools import pairwise

import numpy as np
import pytest
from generators.scoring import score
from generators.truths import RATE_HZ, Capture, capture, sigma_for
from scipy import stats

from dsp.decoder import decode
from dsp.errors import BadInputError, CancelledError
from dsp.results import Decode, DecodeSettings
from dsp.synth import BurstSpec, invert, random_symbols, transmissions

NOTHING = DecodeSettings()


@pytest.fixture(scope="module")
def made() -> Capture:
    return capture((30, 44, 24), 1)


@pytest.fixture(scope="module")
def plain(made) -> Decode:
    return decode(made.samples, RATE_HZ)


def assert_found(result: Decode, made: Capture) -> None:
    assert score(made.bursts, asdict(result)).complaints() == []
    assert result.signalling.kind == "bpsk"
    assert result.refusal is None


def test_decoded_told_nothing(made, plain):
    assert_found(plain, made)
    assert [b.symbols for b in plain.bursts] == [b.relative_symbols for b in made.bursts]
    assert {b.talker for b in plain.bursts} == {0}
    assert plain.settings == NOTHING
    assert plain.signalling.reasons


def test_every_number_is_one_and_fields_agree(plain):
    for burst in plain.bursts:
        single = [value for value in vars(burst).values() if isinstance(value, float)]
        assert np.all(np.isfinite([*single, *burst.flips_s, *burst.confidence]))
        assert set(burst.symbols) == {"0", "1"}
        assert burst.symbols[0] == "1"
        assert len(burst.confidence) == len(burst.symbols)
        assert 0.5 <= min(burst.confidence) <= max(burst.confidence) <= 1.0
        changes = sum(a != b for a, b in pairwise(burst.symbols))
        assert len(burst.flips_s) == len(burst.flips_interval_s) == changes
        times = [burst.start_s, *burst.flips_s, burst.end_s]
        assert times == sorted(times)
        for flip, (low, high) in zip(burst.flips_s, burst.flips_interval_s, strict=True):
            assert low <= flip <= high
        length_s = len(burst.symbols) / burst.symbol_rate_bd
        assert burst.end_s - burst.first_symbol_s == pytest.approx(length_s, rel=1e-3)
        assert burst.cycles_per_symbol == pytest.approx(burst.carrier_hz / burst.symbol_rate_bd)
        assert 0.0 < burst.start_probability <= 1.0
        assert 0.0 < burst.end_probability <= 1.0


@pytest.mark.parametrize(
    "told",
    [
        {"carrier_hz": 173_011.0},
        {"symbol_rate_bd": 27_462.0},
        {"carrier_hz": 172_900.0, "symbol_rate_bd": 27_480.0, "modulation": "bpsk"},
    ],
)
def test_carrier_and_rate_told_about_right(made, told):
    """Within 0.1 % as a data sheet might give them: what comes out is measured all the same."""
    settings = DecodeSettings(**told)
    result = decode(made.samples, RATE_HZ, settings=settings)
    assert_found(result, made)
    assert result.settings == settings
    for burst in result.bursts:
        assert abs(burst.carrier_hz - 173_011.0) < 5.0 * burst.carrier_std_hz
        assert burst.symbol_rate_bd == pytest.approx(173_011.0 / 6.3, rel=1e-3)


def test_line_code_and_polarity_told(made, plain):
    settings = DecodeSettings(line_code="differential", polarity="inverted")
    result = decode(made.samples, RATE_HZ, settings=settings)
    assert [b.symbols for b in result.bursts] == [b.symbols for b in plain.bursts]
    for burst in result.bursts:
        assert burst.bits == "".join("0" if a != b else "1" for a, b in pairwise(burst.symbols))
        assert burst.line_code == "differential"
    assert result.settings == settings


def doubled(draw: int) -> Capture:
    """All flips fall on multiples of two symbols."""
    source = capture((18, 22), draw)
    bursts = tuple(replace(b, symbols="".join(2 * s for s in b.symbols)) for b in source.bursts)
    bursts = (bursts[0], replace(bursts[1], start_s=bursts[1].start_s + 18 / bursts[0].symbol_rate_bd))
    rng = np.random.default_rng(draw)
    count = int((bursts[1].end_s + 40 / bursts[0].symbol_rate_bd) * RATE_HZ)
    clean = transmissions(bursts, RATE_HZ, count).samples
    return Capture(clean + rng.normal(0.0, source.sigma, count), bursts, source.sigma)


def test_a_symbol_rate_told_wins_where_the_flips_leave_it_open():
    made = doubled(2)
    assert_found(decode(made.samples, RATE_HZ, settings=DecodeSettings(symbol_rate_bd=173_011.0 / 6.3)), made)


def test_modulation_told_otherwise_is_not_passed_over(made):
    """Told that it is frequency shift keying: refused or decoded as that, never as phase reversal."""
    result = decode(made.samples, RATE_HZ, settings=DecodeSettings(modulation="fsk"))
    assert result.signalling.kind != "bpsk" or result.refusal is not None


class Untouchable:
    """Samples that must not be looked at."""

    dtype = np.dtype(np.float32)

    def __len__(self) -> int:
        return 1_000_000

    def __getitem__(self, key: slice) -> np.ndarray:
        raise AssertionError("read before the arguments were checked")


NONSENSE = {
    "carrier at half the rate": {"carrier_hz": 500_000.0},
    "carrier above half the rate": {"carrier_hz": 2e6},
    "carrier zero": {"carrier_hz": 0.0},
    "carrier negative": {"carrier_hz": -1.0},
    "carrier no number": {"carrier_hz": float("nan")},
    "rate infinite": {"symbol_rate_bd": float("inf")},
    "rate zero": {"symbol_rate_bd": 0.0},
    "rate above half": {"symbol_rate_bd": 600_000.0},
    "modulation": {"modulation": "semaphore"},
    "line code": {"line_code": "morse"},
    "polarity": {"polarity": "sideways"},
}


@pytest.mark.parametrize("case", NONSENSE)
def test_settings_that_cannot_be_are_refused_before_any_work(case):
    with pytest.raises(BadInputError) as caught:
        decode(Untouchable(), RATE_HZ, settings=DecodeSettings(**NONSENSE[case]))
    assert len(str(caught.value).splitlines()) == 1
    assert len(str(caught.value)) > 20


@pytest.mark.parametrize("rate_hz", [0.0, -1e6, float("nan"), float("inf")])
def test_a_sample_rate_that_cannot_be_is_refused(rate_hz):
    with pytest.raises(BadInputError):
        decode(Untouchable(), rate_hz)


@pytest.mark.parametrize(
    ("samples", "code"),
    [
        (np.zeros(0), "too-short"),
        (np.random.default_rng(1).normal(size=50), "too-short"),
        (np.full(5_000, 24.0), "flat"),
        (np.full(5_000, 7, np.int8), "flat"),
        (np.full(5_000, np.nan), "flat"),
        (np.random.default_rng(2).normal(size=20_000), None),
    ],
)
def test_a_refusal_is_a_result(samples, code):
    result = decode(samples, RATE_HZ)
    assert result.bursts == ()
    assert result.signalling.kind == "none"
    assert len(result.refusal.text) > 20
    assert result.refusal.code == (code or result.refusal.code)


def test_progress_runs_from_nothing_to_all_and_changes_nothing(made, plain):
    heard: list[float] = []
    assert decode(made.samples, RATE_HZ, progress=heard.append, cancelled=lambda: False) == plain
    assert heard[0] == 0.0
    assert heard[-1] == 1.0
    assert heard == sorted(heard)
    assert len(heard) > 3


@pytest.mark.parametrize("asked_before", [0, 1, 3])
def test_cancel_stops_at_once(made, asked_before):
    asked = [0]
    heard: list[float] = []

    def cancelled() -> bool:
        asked[0] += 1
        return asked[0] > asked_before

    with pytest.raises(CancelledError):
        decode(made.samples, RATE_HZ, cancelled=cancelled, progress=heard.append)
    assert asked[0] == asked_before + 1
    assert len(heard) <= asked_before


def test_nothing_is_decoded_across_segments_nor_outside_them(made):
    """The second burst is cut in its middle; the third lies in no segment."""
    first, second, _ = made.bursts
    edge = int((second.start_s + 22.3 / second.symbol_rate_bd) * RATE_HZ)
    stop = int((second.end_s + 5.0 / second.symbol_rate_bd) * RATE_HZ)
    result = decode(made.samples, RATE_HZ, segments=((0, edge, 5.0), (edge, stop, 50.0)))
    assert len(result.bursts) == 3
    whole, head, tail = result.bursts
    assert whole.symbols == first.relative_symbols
    assert whole.start_s == pytest.approx(5.0 + first.start_s, abs=2e-6)
    assert head.cut_at_end
    assert not head.cut_at_start
    assert tail.cut_at_start
    assert not tail.cut_at_end
    # what is left of the cut symbol may be counted or not
    assert second.relative_symbols.startswith(head.symbols[:22])
    assert 22 <= len(head.symbols) <= 23
    assert 21 <= len(tail.symbols) <= 22
    assert tail.symbols[-20:] in (second.symbols[-20:], "".join("10"[int(s)] for s in second.symbols[-20:]))
    assert head.end_s < 5.0 + (edge + 40) / RATE_HZ
    assert tail.start_s == pytest.approx(50.0, abs=40e-6)
    assert tail.end_s == pytest.approx(50.0 + second.end_s - edge / RATE_HZ, abs=2e-6)


class OnlySlices:
    """A lazy source, as a file gives it."""

    def __init__(self, values: np.ndarray) -> None:
        self.values = values

    def __len__(self) -> int:
        return len(self.values)

    def __getitem__(self, key: slice) -> np.ndarray:
        assert isinstance(key, slice)
        return self.values[key]


def test_any_source_of_slices_will_do_and_stays_as_it_is(made, plain):
    kept = made.samples.copy()
    kept.setflags(write=False)
    assert decode(OnlySlices(kept), RATE_HZ) == plain
    np.testing.assert_array_equal(made.samples, kept)


def test_missing_samples_in_a_silence_do_no_harm(made):
    samples = made.samples.copy()
    gap = int((made.bursts[0].end_s + 6.0 / made.bursts[0].symbol_rate_bd) * RATE_HZ)
    samples[gap : gap + 40] = np.nan
    assert_found(decode(samples, RATE_HZ), made)


@pytest.mark.parametrize("lead", [-5, 2])
@pytest.mark.parametrize("told", [False, True])
def test_a_span_that_is_drawn_tightly_round_a_burst(lead, told):
    """``lead`` symbols of silence on either side, or so many of the burst's own symbols cut off."""
    whole = capture((64,), 3)
    burst = whole.bursts[0]
    margin_s = lead / burst.symbol_rate_bd
    first, last = int((burst.start_s - margin_s) * RATE_HZ), int((burst.end_s + margin_s) * RATE_HZ)
    known = {"carrier_hz": burst.carrier_hz, "symbol_rate_bd": burst.symbol_rate_bd} if told else {}
    result = decode(
        whole.samples[first:last], RATE_HZ, start_s=first / RATE_HZ, settings=DecodeSettings(**known)
    )
    assert len(result.bursts) == 1
    found = result.bursts[0].symbols
    assert abs(len(found) - (64 + 2 * min(0, lead))) <= (lead < 0)
    assert found in burst.symbols or invert(found) in burst.symbols


@pytest.mark.parametrize(("pulse", "rolloff"), [("soft", 1.0), ("root-raised-cosine", 0.35)])
def test_pulses_that_are_no_rectangles(made, pulse, rolloff):
    """Amplitudes that dip at flips, and symbols that reach into each other (Proakis, section 9.2)."""
    bursts = [replace(b, pulse=pulse, rolloff=rolloff) for b in made.bursts]
    clean = transmissions(bursts, RATE_HZ, len(made.samples)).samples
    noise = np.random.default_rng(1).normal(0.0, made.sigma, len(clean))
    assert_found(decode(clean + noise, RATE_HZ), made)


@pytest.mark.parametrize("draw", [31, 42])
def test_a_weaker_talker_between_bursts_of_a_stronger_one(draw):
    """18 dB and 12.8 dB: an end of the weaker one's burst is in doubt three times in 1000."""
    made = capture((30, 24, 40), draw, esn0_db=18.0, amplitudes=(1.0, 0.55, 1.0))
    result = decode(made.samples, RATE_HZ)
    assert_found(result, made)
    assert [b.talker for b in result.bursts] == [0, 1, 0]
    assert all(a.end_s <= b.start_s for a, b in pairwise(result.bursts))


def test_silence_below_a_step_of_the_converter_holds_no_bursts(made):
    """A quiet line on eight bits: the same code all the time between transmissions."""
    clean = transmissions(made.bursts, RATE_HZ, len(made.samples)).samples
    stored = np.rint(40.0 * clean).astype(np.int8)
    assert np.all(stored[: int(made.bursts[0].start_s * RATE_HZ)] == 0)
    assert_found(decode(stored, RATE_HZ, scale=1.0 / 40.0), made)


def test_nothing_but_flips_is_told_right_or_not_at_all():
    """Every symbol the other way: two tones as well as one carrier, but no other symbols than those sent."""
    sent = BurstSpec(1e-3, "10" * 15, 27_000.0, 173_000.0)
    samples = transmissions([sent], RATE_HZ, 4_110).samples
    result = decode(samples + np.random.default_rng(0).normal(0.0, 0.1, 4_110), RATE_HZ)
    if result.bursts:
        assert_found(result, Capture(samples, (sent,), 0.1))
    else:
        assert result.refusal is not None


def test_two_links_at_once_are_told_apart():
    """Two carriers an octave apart, each with its own symbol rate, taking turns."""
    rng = np.random.default_rng(5)
    bursts, now = [], 1.5e-3
    for k in range(4):
        carrier, rate = ((173_011.0, 27_462.0), (61_507.0, 11_203.0))[k % 2]
        text = random_symbols(32, rng, longest_run=6)
        bursts.append(BurstSpec(now, text, rate, carrier, 1.0, rng.uniform(0, 6)))
        now = bursts[-1].end_s + 1.2e-3
    count = int(now * RATE_HZ)
    samples = transmissions(bursts, RATE_HZ, count).samples + rng.normal(0.0, 0.3, count)
    result = decode(samples, RATE_HZ)
    assert score(bursts, asdict(result)).complaints() == []
    assert [b.talker for b in result.bursts] == [0, 1] * 2


def test_uncertainties_hold_when_counted():
    """Six captures told nothing: squares of error over uncertainty against chi-square."""
    carrier, rate, energy = [], [], []
    for draw in range(6):
        made = capture((36, 28), 200 + draw, carrier_hz=151_000.0 + 2_311.0 * draw, esn0_db=15.0)
        result = decode(made.samples, RATE_HZ)
        assert_found(result, made)
        # bursts of one talker share carrier and rate: one error a capture
        burst = result.bursts[0]
        carrier.append((burst.carrier_hz - made.bursts[0].carrier_hz) / burst.carrier_std_hz)
        rate.append((burst.symbol_rate_bd - made.bursts[0].symbol_rate_bd) / burst.symbol_rate_std_bd)
        energy.extend((b.esn0_db - 15.0) / b.esn0_std_db for b in result.bursts)
    for z in (carrier, rate, energy):
        low, high = stats.chi2.ppf([0.001, 0.999], len(z)) / len(z)
        assert low < np.mean(np.square(z)) < high, np.round(z, 2)


@pytest.mark.parametrize("draw", range(4))
def test_a_weak_talker_close_to_a_strong_one_is_not_cut(draw):
    """Seen together with the strong one its symbols look like silence to the level of both."""
    amplitudes = (1.0, 0.45, 1.0, 0.45, 0.45, 1.0)
    made = capture(
        (75, 46, 60, 41, 98, 30), 60 + draw, esn0_db=20.5, gap_symbols=4.0, cycles=9.3, amplitudes=amplitudes
    )
    assert_found(decode(made.samples, RATE_HZ), made)


@pytest.mark.parametrize("draw", range(3))
def test_talkers_whose_carriers_differ_by_a_fifteenth_of_a_cycle_a_symbol(draw):
    rng = np.random.default_rng(draw)
    symbol_rate, now, bursts = 3000.0, 0.01, []
    for k in range(20):
        strong = k % 2 == 0
        carrier, amplitude = (84_690.0, 1.0) if strong else (84_885.0, 0.3)
        text = random_symbols(int(rng.integers(20, 70)), rng, longest_run=8)
        bursts.append(BurstSpec(now, text, symbol_rate, carrier, amplitude, rng.uniform(0.0, 2.0 * np.pi)))
        now = bursts[-1].end_s + rng.uniform(4.0, 40.0) / symbol_rate
    sigma = sigma_for(13.0, symbol_rate, 0.3)
    count = int((now + 0.01) * RATE_HZ)
    samples = transmissions(bursts, RATE_HZ, count).samples + sigma * rng.standard_normal(count)
    assert_found(decode(samples, RATE_HZ), Capture(samples, tuple(bursts), sigma))


@pytest.mark.parametrize("draw", range(3))
def test_pieces_of_a_tone_beside_the_carrier_are_no_talker(draw):
    """As a line of ripple leaves them between bursts: they never turn over."""
    rng = np.random.default_rng(draw)
    symbol_rate, carrier, now = 5000.0, 80_000.0, 0.004
    bursts, tones = [], []
    for k in range(24):
        keyed = k % 2 == 0
        text = (
            random_symbols(int(rng.integers(20, 60)), rng, longest_run=8)
            if keyed
            else "1" * int(rng.integers(12, 26))
        )
        amplitude, offset = (1.0, 1.0) if keyed else (0.25, 0.99636)
        burst = BurstSpec(now, text, symbol_rate, carrier * offset, amplitude, rng.uniform(0.0, 2.0 * np.pi))
        (bursts if keyed else tones).append(burst)
        now = burst.end_s + rng.uniform(8.0, 20.0) / symbol_rate
    sigma = sigma_for(20.0, symbol_rate)
    count = int((now + 0.004) * RATE_HZ)
    sent = transmissions([*bursts, *tones], RATE_HZ, count).samples
    samples = sent + sigma * rng.standard_normal(count)
    assert_found(decode(samples, RATE_HZ), Capture(samples, tuple(bursts), sigma))
