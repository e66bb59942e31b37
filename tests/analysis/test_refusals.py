"""The list of refusals."""

from __future__ import annotations

import pytest

from analysis.refusals import CODES, refusal_table, refuse

FIXED = {
    "no_ruler",
    "ruler_inch",
    "ruler_unreadable",
    "reading_ambiguous",
    "scale_conflict",
    "no_coupon",
    "cut_off",
    "code_unreadable",
    "mirrored_or_wrong_face",
    "curled",
    "see_through",
    "blurred",
    "exposure",
    "too_few_px",
    "too_oblique",
    "one_sided_light",
    "low_contrast",
    "not_a_photo",
}


def test_every_code_that_outside_scorers_know_is_listed() -> None:
    assert CODES.keys() >= FIXED


@pytest.mark.parametrize("code", CODES)
def test_a_refusal_is_one_sentence_and_one_remedy(code: str) -> None:
    facts = dict.fromkeys(CODES[code].facts, 1.0)
    refusal = refuse(code, **facts)
    assert not refusal
    assert refusal.code == code
    for sentence in (refusal.message, refusal.remedy):
        assert sentence[0].isupper() or sentence[0].isdigit()
        assert sentence.endswith(".")
        assert "{" not in sentence
    assert f"| `{code}` |" in refusal_table()


def test_missing_or_unknown_facts_are_our_bug() -> None:
    with pytest.raises(ValueError, match="part_scale"):
        refuse("scale_conflict")
    with pytest.raises(ValueError, match="wants"):
        refuse("no_ruler", colour="blue")
