"""Words by the values that documents hold."""

from __future__ import annotations

from falsework.objective.price import PARTS
from falsework.wording import terms


def test_every_term_of_the_price_has_its_name_in_its_order():
    assert tuple(terms.PRICE) == PARTS
    assert len(set(terms.PRICE.values())) == len(PARTS)
