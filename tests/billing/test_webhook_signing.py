"""Signatures of webhooks. Reference: the `standardwebhooks` library, which its specification's authors publish."""

from __future__ import annotations

import base64
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from standardwebhooks import Webhook, WebhookVerificationError

from billing.rules.webhooks import signing

# The specification's manner of an example; its inputs are from memory, the signature is what HMAC-SHA256 gives for them.
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
MESSAGE = "msg_p5jXN8AQM9LWM0D4loKWxJek"
SIGNED_AT = 1_614_265_330
BODY = b'{"test": 2432232314}'
SIGNATURE = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="

keys = st.binary(min_size=24, max_size=64)
message_ids = st.text("abcdefghijklmnopqrstuvwxyz0123456789_", min_size=1, max_size=40)
texts = st.text('abcXYZ019 {}[]":,.\n\u00e4\u20ac\u4e2d\U0001f6bd', max_size=300)
instants = st.integers(min_value=0, max_value=4_102_444_800)


def test_the_check_value():
    assert signing.sign([SECRET], MESSAGE, SIGNED_AT, BODY) == SIGNATURE


@settings(deadline=None)
@given(keys, message_ids, instants, texts)
def test_a_signature_is_what_the_reference_makes(key, message_id, instant, text):
    secret = signing.secret_of(key)

    ours = signing.sign([secret], message_id, instant, text.encode())

    made = Webhook(secret).sign(message_id, datetime.fromtimestamp(instant, UTC), text)
    assert ours == made


@settings(deadline=None)
@given(keys, keys, st.text('abc{}":, ä'))
def test_while_a_secret_is_changed_either_one_verifies(old, new, text):
    body = text.encode()
    now = int(datetime.now(UTC).timestamp())
    headers = signing.headers([signing.secret_of(new), signing.secret_of(old)], MESSAGE, now, body)

    for key in (old, new):
        Webhook(signing.secret_of(key)).verify(body, headers, json_parse=False)
    with pytest.raises(WebhookVerificationError):
        Webhook(b"another secret, of someone else").verify(body, headers, json_parse=False)


@pytest.mark.parametrize("change", ["webhook-id", "webhook-timestamp", "body"])
def test_whatever_is_changed_the_signature_breaks(change):
    now = int(datetime.now(UTC).timestamp())
    headers = signing.headers([SECRET], MESSAGE, now, BODY)
    body = BODY
    if change == "body":
        body = BODY.replace(b"4}", b"5}")
    else:
        headers[change] = {"webhook-id": "msg_other", "webhook-timestamp": str(now + 1)}[change]

    with pytest.raises(WebhookVerificationError):
        Webhook(SECRET).verify(body, headers)


def test_a_message_that_is_kept_back_is_refused():
    headers = signing.headers([SECRET], MESSAGE, int(datetime.now(UTC).timestamp()) - 301, BODY)

    with pytest.raises(WebhookVerificationError, match="too old"):
        Webhook(SECRET).verify(BODY, headers)


@settings(deadline=None)
@given(keys)
def test_a_secret_reads_back(key):
    assert signing.key_of(signing.secret_of(key)) == key


@pytest.mark.parametrize("size", [0, 23, 65])
def test_a_secret_has_24_to_64_bytes(size):
    with pytest.raises(ValueError, match="24 to 64"):
        signing.secret_of(b"x" * size)
    with pytest.raises(ValueError, match="24 to 64"):
        signing.key_of("whsec_" + base64.b64encode(b"x" * size).decode())


@pytest.mark.parametrize("secret", ["", SECRET.removeprefix("whsec_"), SECRET + "!", "whsec_MfKQ9r8"])
def test_what_is_no_secret_signs_nothing(secret):
    with pytest.raises(ValueError, match="secret"):
        signing.sign([secret], MESSAGE, SIGNED_AT, BODY)


@pytest.mark.parametrize(("secrets", "message_id"), [([], MESSAGE), ([SECRET], ""), ([SECRET], "msg.1")])
def test_nothing_is_signed_that_could_be_read_in_two_ways(secrets, message_id):
    with pytest.raises(ValueError, match="A webhook"):
        signing.sign(secrets, message_id, SIGNED_AT, BODY)
