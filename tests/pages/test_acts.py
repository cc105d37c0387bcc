"""The acts at the bench: each is written once, refused with its reason, asked about where it is unlikely, and taken back."""

from __future__ import annotations

from tests.pages.conftest import Device, plain


def test_a_loss_is_written_with_before_and_after(device: Device, plugs: str) -> None:
    """The answer says what stood there before and what stands there now."""
    answer = device.act("lose", f"batch={plugs}", units="9", cause="rot")
    assert answer.status_code == 200, answer.text
    print(plain(answer.text))
    assert "was 144 , now 135" in plain(answer.text)
    assert device.standing(plugs) == {"rooted/H1": 135}
