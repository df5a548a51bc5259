"""Passkeys in a real browser, with the virtual authenticator that it brings for tests (CDP)."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from conftest import PHONE
from playwright.sync_api import Browser, CDPSession, Page, expect

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "web"))

from signinkit import FINISHER, OWNER, GuardedShop, guarded_shop

pytestmark = pytest.mark.real


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[GuardedShop]:
    with guarded_shop(tmp_path) as made:
        yield made


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport=PHONE)
    yield context.new_page()
    context.close()


def authenticator(page: Page, **other: Any) -> tuple[CDPSession, str]:
    """Give a page an authenticator of its device, whose owner's finger is on it."""
    client = page.context.new_cdp_session(page)
    client.send("WebAuthn.enable")
    options = {
        "protocol": "ctap2",
        "transport": "internal",
        "hasResidentKey": True,
        "hasUserVerification": True,
        "isUserVerified": True,
        "automaticPresenceSimulation": True,
        **other,
    }
    made = client.send("WebAuthn.addVirtualAuthenticator", {"options": options})
    return client, str(made["authenticatorId"])


def address(shop: GuardedShop, path: str) -> str:
    """The shop by a name: passkeys are for names."""
    return f"http://localhost:{shop.port}{path}"


def come_in(page: Page, shop: GuardedShop, how: str = "Go in and make a passkey") -> None:
    page.goto(address(shop, f"/welcome/{shop.doors.links.make('owner', 'owner')}"))
    page.locator("[name=name]").fill(OWNER)
    page.get_by_role("button", name=how).click()


def test_the_owner_makes_a_passkey_and_comes_in_by_it(page: Page, guarded: GuardedShop) -> None:
    client, device = authenticator(page)
    come_in(page, guarded)
    page.get_by_role("button", name="Make a passkey on this device").click()
    page.wait_for_url(address(guarded, "/"))
    held = client.send("WebAuthn.getCredentials", {"authenticatorId": device})["credentials"]
    assert len(held) == 1
    assert held[0]["isResidentCredential"]
    assert held[0]["rpId"] == "localhost"
    (account, _), *_ = guarded.doors.accounts.everybody()
    (kept,) = guarded.doors.passkeys.of_account(account.id)
    assert kept.rp_id == "localhost"
    page.goto(address(guarded, "/settings/sign-in"))
    expect(page.locator("#passkeys")).to_contain_text("for localhost")
    page.get_by_role("button", name="Sign out on this device").click()
    page.goto(address(guarded, "/instruments"))
    page.get_by_role("button", name="Sign in with a passkey").click()
    page.wait_for_url(address(guarded, "/instruments"))
    (used,) = guarded.doors.passkeys.of_account(account.id)
    assert used.used_at is not None
    assert used.sign_count > kept.sign_count
    # A second one on the same authenticator is not made: it is known there.
    page.goto(address(guarded, "/settings/sign-in"))
    page.get_by_role("button", name="Make a passkey on this device").click()
    expect(page.locator("#passkey-says")).to_contain_text("No passkey was used")
    page.get_by_role("button", name="Take it away").click()
    expect(page.locator("#flash")).to_contain_text("The passkey is taken away.")
    page.get_by_role("button", name="Sign out on this device").click()
    page.get_by_role("button", name="Sign in with a passkey").click()
    expect(page.locator("#passkey-says")).to_contain_text("is not known here")


def test_a_second_passkey_wants_the_first_one_again(page: Page, guarded: GuardedShop) -> None:
    authenticator(page)
    come_in(page, guarded)
    page.get_by_role("button", name="Make a passkey on this device").click()
    page.wait_for_url(address(guarded, "/"))
    guarded.real.advance(minutes=11)
    page.goto(address(guarded, "/settings/sign-in"))
    page.get_by_role("button", name="Take it away").click()
    page.wait_for_url(address(guarded, "/sign-in/again?next=%2Fsettings%2Fsign-in"))
    page.goto(address(guarded, "/settings/sign-in"))
    page.get_by_role("button", name="Make a passkey on this device").click()
    page.wait_for_url(address(guarded, "/sign-in/again?next=%2Fsettings%2Fsign-in"))
    assert page.locator("[name=password]").count() == 0
    page.get_by_role("button", name="Sign in with a passkey").click()
    page.wait_for_url(address(guarded, "/settings/sign-in"))
    page.get_by_role("button", name="Take it away").click()
    expect(page.locator("#flash")).to_contain_text("The passkey is taken away.")


def test_a_key_that_asks_for_no_finger_is_not_enough(page: Page, guarded: GuardedShop) -> None:
    authenticator(page, isUserVerified=False)
    come_in(page, guarded)
    page.get_by_role("button", name="Make a passkey on this device").click()
    expect(page.locator("#passkey-says")).to_contain_text("No passkey was used")
    (account, _), *_ = guarded.doors.accounts.everybody()
    assert guarded.doors.passkeys.of_account(account.id) == []


def test_a_copied_authenticator_is_found_out_by_its_count(page: Page, guarded: GuardedShop) -> None:
    authenticator(page)
    come_in(page, guarded)
    page.get_by_role("button", name="Make a passkey on this device").click()
    page.wait_for_url(address(guarded, "/"))
    (account, _), *_ = guarded.doors.accounts.everybody()
    (kept,) = guarded.doors.passkeys.of_account(account.id)
    guarded.doors.passkeys.used(kept.id, kept.sign_count + 100)  # another one has signed since
    page.context.clear_cookies()
    page.goto(address(guarded, "/sign-in"))
    page.get_by_role("button", name="Sign in with a passkey").click()
    expect(page.locator("#passkey-says")).to_contain_text("cannot be used")
    assert len(guarded.doors.sessions.alive()) == 1


def test_an_answer_counts_once_and_for_what_it_was_asked(page: Page, guarded: GuardedShop) -> None:
    authenticator(page)
    come_in(page, guarded)
    page.get_by_role("button", name="Make a passkey on this device").click()
    page.wait_for_url(address(guarded, "/"))
    page.context.clear_cookies()
    page.goto(address(guarded, "/sign-in"))
    with page.expect_request("**/api/v1/sign-in/passkey") as sent:
        page.get_by_role("button", name="Sign in with a passkey").click()
    page.wait_for_url(address(guarded, "/"))
    again = guarded.browser(origin=f"http://localhost:{guarded.port}")
    again.base_url = f"http://localhost:{guarded.port}"
    body = sent.value.post_data_json
    answer = again.post("/api/v1/sign-in/passkey", json=body)
    assert answer.status_code == 422
    assert "took too long" in answer.json()["detail"]
    body["credential"]["response"]["signature"] = "AAAA"
    assert again.post("/api/v1/sign-in/passkey", json=body).status_code == 422
    for broken in ({}, {"credential": {}}, {"credential": {"id": "x", "rawId": "x"}}):
        assert again.post("/api/v1/sign-in/passkey", json=broken).status_code == 422


def test_where_there_can_be_no_passkeys_none_are_offered(page: Page, guarded: GuardedShop) -> None:
    page.goto(guarded.url + f"/welcome/{guarded.doors.links.make('owner', 'owner')}")  # by figures
    expect(page.get_by_role("button", name="This device only, for now")).to_be_visible()
    expect(page.get_by_role("button", name="Go in and make a passkey")).to_be_hidden()
    page.get_by_role("button", name="This device only, for now").click()
    page.goto(guarded.url + "/settings/sign-in")
    expect(page.locator("#passkey-make")).to_be_hidden()
    expect(page.locator("#passkey-says")).to_contain_text("Passkeys need https")
    refused = guarded.owner().post("/api/v1/passkeys/begin")
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["field"] == "host"


def test_a_passkey_goes_with_the_sign_in_it_is_for(page: Page, guarded: GuardedShop) -> None:
    owner = guarded.owner()
    ben = guarded.people.add(FINISHER)
    authenticator(page)
    page.goto(
        address(guarded, f"/welcome/{guarded.doors.links.make('invite', 'finisher', ben.id)}")
    )
    page.get_by_role("button", name="Go in and make a passkey").click()
    page.get_by_role("button", name="Make a passkey on this device").click()
    page.wait_for_url(address(guarded, "/"))
    assert owner.post(f"/settings/access/people/{ben.id}/close").status_code == 303
    page.goto(address(guarded, "/more"))
    page.get_by_role("button", name="Sign in with a passkey").click()
    expect(page.locator("#passkey-says")).to_contain_text("is not known here")
