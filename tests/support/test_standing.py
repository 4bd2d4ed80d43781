"""Options and alternatives of a plan: what is said of them when a choice is changed, and older documents."""

from __future__ import annotations

import pytest

from falsework.cost.cost import Cost
from falsework.documents import decode, encode
from falsework.objective import Price
from falsework.request.standing import Standing
from falsework.support.choosing import chosen_instead
from falsework.support.standing import Alternative, Choice, Option
from falsework.wording.notices import Earlier, Left
from stacks import underside

OPTIONS = tuple(
    Option(standing, Cost(price=price), 50.0 - left, left, 0.0, Price(time=price))
    for standing, price, left in (
        (Standing.LEAVE, 0.0, 50.0),
        (Standing.BED, 2.0, 0.0),
        (Standing.BED_OR_PART, 3.0, 0.0),
    )
)


def earlier(value, names, **fields):
    """A document of the plans before there was one price."""
    return {name: v for name, v in encode(value).items() if name not in names} | fields


def test_a_choice_that_did_not_stand_says_why_it_is_another_now() -> None:
    choice = Choice(1, OPTIONS, Standing.BED, Earlier("it hangs free"))
    left = chosen_instead(choice, underside(1), Standing.LEAVE)
    assert left.chosen is Standing.LEAVE and left.options == OPTIONS
    assert isinstance(left.reason, Left) and left.reason.because == "weak"
    on_part = chosen_instead(choice, underside(1), Standing.BED_OR_PART)
    assert on_part.chosen is Standing.BED_OR_PART and not isinstance(on_part.reason, Left)
    assert on_part.why != choice.why


def test_an_option_of_an_earlier_plan_has_its_price_back() -> None:
    told = earlier(OPTIONS[1], ["price"], objective=5.0, finish_price=1.5, failure_price=0.25)
    option = decode(Option, told)
    assert (option.price.finish, option.price.risk) == (1.5, 0.25)
    assert option.price.time == pytest.approx(3.25) and option.price.total == pytest.approx(5.0)
    assert decode(Option, encode(OPTIONS[1])) == OPTIONS[1]


def test_an_alternative_of_an_earlier_plan_has_its_sum_back() -> None:
    one = Alternative("bed", Cost(price=1.0), 1, 20.0, 30.0, 0.0, Price(time=4.0))
    assert decode(Alternative, earlier(one, ["price"], objective=4.0)) == one
