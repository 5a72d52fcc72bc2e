"""Trace Context: what of a `traceparent` is carried on, and what starts a new trace."""

from __future__ import annotations

import re

import pytest

from service.observe.trace import child_of, parent_of

TRACE, SPAN = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7"
VALID = f"00-{TRACE}-{SPAN}-01"


@pytest.mark.parametrize(
    ("traceparent", "flags"),
    [
        pytest.param(VALID, 1, id="the recommendation's own example"),
        pytest.param(f"00-{TRACE}-{SPAN}-00", 0, id="not sampled"),
        pytest.param(f"00-{TRACE}-{SPAN}-03", 3, id="sampled and random (level 2)"),
        pytest.param(f"00-{TRACE}-{SPAN}-ff", 3, id="reserved flags are not handed on"),
        pytest.param(f"cc-{TRACE}-{SPAN}-01", 1, id="a later version"),
        pytest.param(f"cc-{TRACE}-{SPAN}-01-what-the-future-brings", 1, id="and more of it"),
        pytest.param(f"cc-{TRACE}-{SPAN}-01-", 1, id="and nothing more of it"),
    ],
)
def test_a_valid_parent_is_carried_on(traceparent: str, flags: int) -> None:
    parent = parent_of(traceparent, "rojo=00f067aa0ba902b7,congo=t61rcWkgMzE")
    assert parent is not None
    assert (parent.trace_id, parent.span_id, parent.flags) == (TRACE, SPAN, flags)
    assert parent.state == "rojo=00f067aa0ba902b7,congo=t61rcWkgMzE"
    child = child_of(parent)
    assert child.trace_id == TRACE
    assert re.fullmatch("[0-9a-f]{16}", child.span_id)
    assert child.span_id != SPAN


@pytest.mark.parametrize(
    "traceparent",
    [
        pytest.param("", id="empty"),
        pytest.param("nonsense", id="nonsense"),
        pytest.param(f"ff-{TRACE}-{SPAN}-01", id="the forbidden version"),
        pytest.param(f"0-{TRACE}-{SPAN}-01", id="a short version"),
        pytest.param(f"000-{TRACE}-{SPAN}-01", id="a long version"),
        pytest.param(f".0-{TRACE}-{SPAN}-01", id="no version"),
        pytest.param(f"00-{'0' * 32}-{SPAN}-01", id="a trace id of noughts"),
        pytest.param(f"00-{TRACE}-{'0' * 16}-01", id="a span id of noughts"),
        pytest.param(f"00-{TRACE.upper()}-{SPAN}-01", id="a trace id in upper case"),
        pytest.param(f"00-{TRACE}-{SPAN.upper()}-01", id="a span id in upper case"),
        pytest.param(f"00-{TRACE}-{SPAN}-0A", id="flags in upper case"),
        pytest.param(f"00-{TRACE[:-1]}-{SPAN}-01", id="a short trace id"),
        pytest.param(f"00-{TRACE}0-{SPAN}-01", id="a long trace id"),
        pytest.param(f"00-{TRACE}-{SPAN[:-1]}-01", id="a short span id"),
        pytest.param(f"00-{TRACE}-{SPAN}0-01", id="a long span id"),
        pytest.param(f"00-{TRACE}-{SPAN}-1", id="short flags"),
        pytest.param(f"00-{TRACE}-{SPAN}-001", id="long flags"),
        pytest.param(f"00-{TRACE}-{SPAN}", id="no flags"),
        pytest.param(f"{VALID}-", id="more than version 00 has, if only a dash"),
        pytest.param(f"{VALID}-what-the-future-brings", id="more than version 00 has"),
        pytest.param(f"cc-{TRACE}-{SPAN}-01.more", id="a later version, more without a dash"),
        pytest.param(f"cc-{TRACE}-{SPAN}-011", id="a later version, long flags"),
        pytest.param(f"{VALID},{VALID}", id="sent twice"),
        pytest.param(f" {VALID}", id="a space before"),
        pytest.param(f"{VALID}\n", id="a line end behind"),
        pytest.param(f"00_{TRACE}_{SPAN}_01", id="other separators"),
        pytest.param(f"00-{chr(0x660) * 31}1-{SPAN}-01", id="digits of another script"),
    ],
)
def test_what_is_no_parent_starts_a_new_trace(traceparent: str) -> None:
    parent = parent_of(traceparent, "rojo=1")
    assert parent is None
    one, other = child_of(parent), child_of(parent)
    assert re.fullmatch("[0-9a-f]{32}", one.trace_id)
    assert one.trace_id not in (TRACE, other.trace_id)


@pytest.mark.parametrize("state", ["a" * 513, "a=\x00", "a=é", "a=\nb"])
def test_a_state_that_cannot_be_one_is_left_out(state: str) -> None:
    parent = parent_of(VALID, state)
    assert parent is not None
    assert parent.state == ""


def test_request_is_known_by_the_id_that_it_was_sent_with() -> None:
    assert child_of(None, "Ticket-7:a/b=").request_id == "Ticket-7:a/b="


@pytest.mark.parametrize("sent", [None, "", "a" * 129, "a b", "a\nb", "<a>", "é", '"', "a,b"])
def test_request_without_a_usable_id_is_known_by_its_span(sent: str | None) -> None:
    trace = child_of(None, sent)
    assert trace.request_id == trace.span_id
