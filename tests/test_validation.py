from __future__ import annotations

from typing import Annotated, Any, Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator
from pydantic_core import PydanticCustomError

from acquire.errors import ConfigError
from acquire.validation import from_pydantic


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Stop(_Table):
    water: str
    litres: Annotated[float, Field(gt=0, le=5)] = 1.0


class Round(_Table):
    kind: Literal["round"]
    stops: tuple[Stop, ...] = ()


class Watch(_Table):
    kind: Literal["watch"]
    every_s: int


class Plan(_Table):
    work: Annotated[Round | Watch, Field(discriminator="kind")]
    names: dict[str, Stop] = {}
    colour: str = "blue"

    @field_validator("colour")
    @classmethod
    def _known(cls, colour: str) -> str:
        if colour == "plaid":
            raise PydanticCustomError("colour", "no colour", {"allowed": "blue"})
        if colour == "grey":
            raise ValueError("grey is not a colour")
        return colour


def complaint(table: dict[str, Any], **keywords: Any) -> str:
    with pytest.raises(ValidationError) as caught:
        Plan.model_validate(table)
    return str(from_pydantic(caught.value, file="plan.toml", model=Plan, **keywords))


ROUND = {"kind": "round", "stops": [{"water": "tap"}]}
CASES = [
    ({}, "plan.toml: work: a key is missing"),
    ({"work": ROUND, "colour": 7}, "plan.toml: colour: wrong kind of value, found 7; allowed: text in quotes"),
    ({"work": ROUND, "colour": "plaid"}, "plan.toml: colour: no colour, found 'plaid'; allowed: blue"),
    ({"work": ROUND, "colour": "grey"}, "plan.toml: colour: grey is not a colour, found 'grey'"),
    ({"work": ROUND, "colr": "x"}, "plan.toml: colr: unknown key, did you mean colour?; allowed: work, names, colour"),
    ({"work": {"kind": "walk"}}, "plan.toml: work: kind does not say which kind this is, found 'walk'; allowed: 'round', 'watch'"),
    ({"work": {}}, "plan.toml: work: kind does not say which kind this is"),
    ({"work": {"kind": "watch", "every_s": 1.5}}, "plan.toml: work.every_s: wrong kind of value, found 1.5; allowed: a whole number"),
    ({"work": {"kind": "round", "stops": [{"water": "a"}, {"water": "b", "litres": 9}]}}, "plan.toml: work.stops[1].litres: out of range, found 9; allowed: <= 5.0"),
    ({"work": {"kind": "round", "stops": [{"wtr": "a", "water": "b"}]}}, "plan.toml: work.stops[0].wtr: unknown key, did you mean water?; allowed: water, litres"),
    ({"work": {"kind": "round", "stops": "a"}}, "plan.toml: work.stops: wrong kind of value, found 'a'; allowed: a list"),
    ({"work": ROUND, "names": {"x": {}}}, "plan.toml: names.x.water: a key is missing"),
    ({"work": ROUND, "names": {"x": {"water": "a", "y": 1}}}, "plan.toml: names.x.y: unknown key; allowed: water, litres"),
    ({"work": 7}, "plan.toml: work: wrong kind of value, found 7; allowed: a table"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "message"), CASES)
def test_a_complaint_is_one_line_with_key_found_and_allowed(
    table: dict[str, Any], message: str
) -> None:
    assert complaint(table) == message


def test_several_complaints_show_the_first_and_count_the_rest() -> None:
    message = complaint({"work": {"kind": "watch", "evry_s": 3}, "colour": 7})
    assert message == (
        "plan.toml: work.evry_s: unknown key, did you mean every_s? (and 2 more); "
        "allowed: kind, every_s"
    )


def test_the_place_of_the_table_in_its_file_stands_before_the_key() -> None:
    assert complaint({}, key="plans.spring") == "plan.toml: plans.spring.work: a key is missing"


def test_without_the_model_the_key_is_still_named() -> None:
    with pytest.raises(ValidationError) as caught:
        Plan.model_validate({"work": ROUND, "colr": 1})
    assert str(from_pydantic(caught.value)) == "colr: unknown key"


def test_a_text_turned_into_bytes_that_is_empty_is_called_empty(tmp_path):
    from acquire.toml_file import read_table
    from drivers.profile import Profile

    file = tmp_path / "p.toml"
    file.write_text(
        "framing.terminator = ''\nfields.style = 'labels'\n"
        "[quantities.ph]\nlabel = 'pH'\nunit = 'pH'\nresolution = 0.01\n"
    )
    with pytest.raises(ConfigError, match=r"framing\.terminator: should not be empty"):
        read_table(file, Profile)
