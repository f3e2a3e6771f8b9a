"""Names of trays not yet sown: what one slip of the pencil or the keyboard can do to them."""

from __future__ import annotations

import string
from itertools import islice, product

import pytest

from germstats.records.tray_names import (
    PREFIX,
    SYMBOLS,
    check_symbol,
    new_names,
    swaps,
    well_formed,
)

TYPED = sorted(set(string.printable) - set(string.whitespace))


def weighted_sum(body: str) -> int:
    """The sum a whole body must have, written out place by place; ISO/IEC 7064, pure system, radix
    2 (memory).
    """
    total, weight = 0, 1
    for symbol in reversed(body):
        total += weight * "23456789CFHKMPRTWXY".index(symbol)
        weight *= 2
    return total % 19


def test_the_check_symbol_is_that_of_the_arithmetic_done_by_hand():
    # X22 counts 17, 0, 0: 17 * 8 = 136 = 7 * 19 + 3; 1 - 3 = -2 = 17 (mod 19), which is X
    assert check_symbol("X22") == "X"
    # P24 counts 13, 0, 2: 13 * 8 + 2 * 2 = 108 = 5 * 19 + 13; 1 - 13 = -12 = 7, which is 9
    assert check_symbol("P24") == "9"


def test_no_symbol_can_be_taken_for_another():
    assert len(SYMBOLS) == len(set(SYMBOLS)) == 19
    assert not set(SYMBOLS) & set("01OILQDZSGBJNUV")
    # neither a vowel, which months need, nor E, which makes 2E57 a number in a spreadsheet
    assert not set(SYMBOLS) & set("AEIOU")


def test_every_name_of_a_spring_differs_and_keeps_the_sum():
    # over 361, where a third symbol of the running number begins
    names = list(islice(new_names(2027, []), 500))
    assert len(set(names)) == 500
    assert {len(name) for name in names} == {6, 7}
    assert all(well_formed(name) and weighted_sum(name.removeprefix(PREFIX)) == 1 for name in names)
    assert names == list(islice(new_names(2027, []), 500))


def all_bodies():
    return ("".join(body) + check_symbol("".join(body)) for body in product(SYMBOLS, repeat=3))


def test_every_single_wrong_symbol_is_noticed_in_every_name_of_every_spring():
    missed = [
        (body, wrong)
        for body in all_bodies()
        for k in range(4)
        for wrong in (body[:k] + symbol + body[k + 1 :] for symbol in SYMBOLS if symbol != body[k])
        if weighted_sum(wrong) == 1
    ]
    assert missed == []


def test_every_swap_of_neighbours_is_noticed_in_every_name_of_every_spring():
    bodies = list(all_bodies())
    assert len(bodies) == 19**3
    swapped = [(body, wrong) for body in bodies for wrong in swaps(body) if wrong != body]
    assert len(swapped) > 19**3
    assert [pair for pair in swapped if weighted_sum(pair[1]) == 1] == []


@pytest.mark.parametrize("place", [0, 200, 400])
def test_whatever_key_is_struck_the_typed_name_is_refused(place):
    name = next(islice(new_names(2027, []), place, None))
    slips = {
        name[:k] + key + name[k + 1 :]
        for k in range(len(name))
        for key in TYPED
        if key.upper() != name[k]
    }
    slips |= {slip for slip in swaps(name) if slip != name}
    assert len(slips) > 500
    assert [slip for slip in slips if well_formed(slip)] == []
    assert well_formed(name.lower())


def test_other_families_of_names_are_none_of_these():
    assert [
        name
        for name in ("T-2601", "X-222", "N-", "", "N-22", "P22K", "N-P22K ")
        if well_formed(name)
    ] == ["N-P22K "]


def test_a_name_in_the_book_is_not_given_out_again_nor_one_slip_from_it():
    first, second, third, *_ = islice(new_names(2027, []), 5)
    assert next(new_names(2027, [first.lower(), f" {second}"])) == third
    near = third[:3] + "0" + third[4:]  # third with a zero in it
    swapped = next(slip for slip in swaps(third) if slip != third)
    for taken in (near, swapped):
        assert third not in list(islice(new_names(2027, [taken]), 5))


def test_springs_have_names_of_their_own():
    springs = {
        name for season in range(2027, 2027 + 19) for name in islice(new_names(season, []), 30)
    }
    assert len(springs) == 19 * 30
