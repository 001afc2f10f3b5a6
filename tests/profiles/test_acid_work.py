"""Correcting the acid of a cell: the balance closes, handbooks agree, what cannot be is refused in a sentence."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles import chemistry
from profiles.acidwork import Correction, correction


def masses(volume_mL, density_kg_L, reference_C):
    """Grams of acid and of water in it."""
    mass_g = volume_mL * density_kg_L
    w = chemistry.mass_fraction(density_kg_L * 1000.0, reference_C)
    return mass_g * w, mass_g * (1.0 - w)


@given(
    st.floats(0.05, 20.0), st.floats(1.02, 1.38), st.floats(0.01, 0.99), st.one_of(st.none(), st.floats(1.02, 1.41)),
    st.sampled_from([15.0, 20.0, 25.0, 30.0]),
)  # fmt: skip
def test_acid_water_and_volume_balance(volume_L, density, way, correcting, reference_C):
    """Kept and added acid and water are what the same volume of the wanted density holds, whichever way it goes."""
    added = chemistry.density_kg_m3(0.0, reference_C) / 1000.0 if correcting is None else correcting
    wanted = density + way * (added - density)
    if min(abs(wanted - density), abs(wanted - added)) < 6e-4 or wanted < 1.0:
        return
    found = correction(volume_L, density, wanted, correcting, reference_C)
    assert 0.0 < found.draw_off_mL < 1000.0 * volume_L
    assert found.add_mL > 0.0
    assert found.shrinks_mL == pytest.approx(found.add_mL - found.draw_off_mL, abs=1e-6)
    kept = masses(1000.0 * volume_L - found.draw_off_mL, density, reference_C)
    poured = masses(found.add_mL, added, reference_C)
    final = masses(1000.0 * volume_L, wanted, reference_C)
    assert kept[0] + poured[0] == pytest.approx(final[0], rel=1e-9)
    assert kept[1] + poured[1] == pytest.approx(final[1], rel=1e-9)


def test_the_usual_correction():
    """3.7 L of 1.264 to 1.280 with 1.400, 25 C: an eighth of the mass is new acid (35.7, 37.6 and 50.9 %)."""
    found = correction(3.7, 1.264, 1.280, 1.400)
    now, wanted, added = (chemistry.mass_fraction(d, 25.0) for d in (1264.0, 1280.0, 1400.0))
    assert (now, wanted, added) == pytest.approx((0.357, 0.376, 0.509), abs=0.0015)
    assert found.add_mL == pytest.approx(3700 * 1.280 * (wanted - now) / (added - now) / 1.400, rel=1e-12)
    assert found.add_mL == pytest.approx(3700 * 1.280 / 1.400 / 8, abs=10.0)
    assert 0.0 < found.shrinks_mL < 10.0


# Perry's Chemical Engineers' Handbook, sulfuric acid at 20 C, from memory: percent by mass and kg/L.
PERRY_20C = {0: 0.9982, 10: 1.0661, 20: 1.1394, 30: 1.2185, 40: 1.3028, 50: 1.3951}


@pytest.mark.parametrize(
    ("now", "wanted", "added"), [(30, 40, 50), (20, 30, 50), (40, 30, 0), (30, 20, 10), (40, 10, 0)]
)
def test_against_the_handbook(now, wanted, added):
    """A litre, by the handbook's pairs of density and percent alone, within 2 % of the litre."""
    d = PERRY_20C
    share = (wanted - now) / (added - now)
    add_mL = 1000.0 * d[wanted] * share / d[added]
    draw_mL = 1000.0 - 1000.0 * d[wanted] * (1 - share) / d[now]
    found = correction(1.0, d[now], d[wanted], d[added] if added else None, 20.0)
    assert found.add_mL == pytest.approx(add_mL, abs=20.0)
    assert found.draw_off_mL == pytest.approx(draw_mL, abs=20.0)
    assert found.shrinks_mL == pytest.approx(add_mL - draw_mL, abs=4.0)


def test_mixing_acid_with_water_shrinks():
    """Half a litre of 50 % and water to a litre of 28 %: the handbook's volumes sum to over a litre (20 C)."""
    strong, thin = PERRY_20C[50], 1.2023  # 28 %, interpolated
    found = correction(1.0, strong, thin, None, 20.0)
    handbook = 1000.0 * thin * (0.28 / 0.50) / strong + 1000.0 * thin * (0.22 / 0.50) / PERRY_20C[0] - 1000.0
    assert handbook > 5.0
    assert found.shrinks_mL == pytest.approx(handbook, abs=4.0)


def test_nothing_to_do():
    """Within half of a hydrometer's last digit it is the wanted density, whatever would be added."""
    assert correction(3.7, 1.2802, 1.28, 1.4) == Correction(0.0, 0.0, 0.0)
    assert correction(3.7, 1.2802, 1.28) == Correction(0.0, 0.0, 0.0)
    assert correction(3.7, 1.2806, 1.28).add_mL > 0.0


def test_far_is_more():
    """The further the wanted density, the more is drawn off; twice the acid takes twice as much."""
    one, two = correction(0.6, 1.25, 1.26, 1.4), correction(0.6, 1.25, 1.28, 1.4)
    assert 0.0 < one.draw_off_mL < two.draw_off_mL
    assert correction(1.2, 1.25, 1.28, 1.4).add_mL == pytest.approx(2 * two.add_mL)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (
            (3.7, 1.264, 1.280, 1.270),
            r"acid of 1.270 kg/L cannot bring 1.264 to 1.280; .* thicker than 1.280",
        ),
        ((3.7, 1.264, 1.280, 1.2803), "cannot bring 1.264 to 1.280"),
        ((3.7, 1.264, 1.280), r"water of 0.997 kg/L cannot bring 1.264 to 1.280; it takes something thicker"),
        ((3.7, 1.300, 1.280, 1.400), r"cannot bring 1.300 to 1.280; it takes something thinner than 1.280"),
        ((0.0, 1.264, 1.280, 1.400), "the volume must be 0.01 to 100 L, not 0"),
        ((-1.0, 1.264, 1.280, 1.400), "the volume must be"),
        ((101.0, 1.264, 1.280, 1.400), "the volume must be"),
        ((3.7, 0.99, 1.280, 1.400), "the density must be 1 to 1.42 kg/L, not 0.99"),
        ((3.7, 1.264, 1.5, 1.400), "the wanted density must be"),
        ((3.7, 1.264, 1.28, 1.84), "the correcting acid's density must be"),
        ((3.7, 1.264, 1.28, 1264.0), "the correcting acid's density must be"),
        ((3.7, 1.264, 1.280, 1.400, 70.0), "the temperature must be 0 to 60 C, not 70"),
        ((math.nan, 1.264, 1.280, 1.400), "not nan"),
        ((3.7, math.inf, 1.280, 1.400), "not inf"),
    ],
)
def test_what_cannot_be(arguments, words):
    """Each refusal says what cannot be and what would be right."""
    with pytest.raises(ValueError, match=words):
        correction(*arguments)


def test_density_of_strong_correcting_acid():
    """50 and 52 % at 25 C within half a gram a litre: Laliberte and Cooper (2004) as the library thermo computes it."""
    for w, kg_m3 in ((0.50, 1392.46), (0.52, 1411.85)):
        assert chemistry.density_kg_m3(w, 25.0) == pytest.approx(kg_m3, abs=0.5)
