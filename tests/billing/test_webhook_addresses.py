"""Where webhooks may go. References: the special-purpose address registries as the standard library has them, the WHATWG URL
standard's ways to write an IPv4 address (section 3.5), RFC 4291, RFC 3056 and RFC 6052 for addresses inside addresses."""

from __future__ import annotations

import ipaddress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing.rules.webhooks.addresses import Place, Unfit, allowed, trials_of, vet
from tests.billing.places import INSIDE, WRITTEN_OTHERWISE

v4 = st.ip_addresses(v=4)
v6 = st.ip_addresses(v=6)


@pytest.mark.parametrize(
    ("url", "place"),
    [
        ("https://receiver.example", Place("receiver.example", 443, "/")),
        ("https://receiver.example/hooks/7?key=a%20b&c", Place("receiver.example", 443, "/hooks/7?key=a%20b&c")),
        ("HTTPS://Receiver.Example:443/Hooks", Place("receiver.example", 443, "/Hooks")),
        ("https://receiver.example:8443/", Place("receiver.example", 8443, "/")),
        ("https://receiver.example.?x", Place("receiver.example", 443, "/?x")),
        ("https://bücher.example/ü", Place("xn--bcher-kva.example", 443, "/%C3%BC")),
        ("https://xn--bcher-kva.example/", Place("xn--bcher-kva.example", 443, "/")),
        ("https://RECEIVER\uff0eexample/", Place("receiver.example", 443, "/")),
        ("https://8.8.8.8/", Place("8.8.8.8", 443, "/")),
        ("https://[2606:4700::1111]:8443/x", Place("2606:4700::1111", 8443, "/x")),
    ],
)  # fmt: skip
def test_what_is_taken(url, place):
    assert vet(url) == place
    assert vet(vet(url).url) == place  # what is stored leads to the same place


@pytest.mark.parametrize("url", WRITTEN_OTHERWISE)
def test_what_is_not_plainly_an_address_of_a_receiver_is_refused(url):
    with pytest.raises(Unfit):
        vet(url)


@pytest.mark.parametrize("host", INSIDE)
def test_what_is_inside_a_network_is_refused_however_it_is_written(host):
    with pytest.raises(Unfit):
        vet(f"https://{host}/")


def test_a_refusal_says_what_to_write_instead():
    with pytest.raises(Unfit, match=r"“10\.0\.0\.1” is not on the internet"):
        vet("https://10.0.0.1/hook")
    with pytest.raises(Unfit, match="port 443 or 8443"):
        vet("https://receiver.example:444/hook")


@settings(deadline=None)
@given(v4 | v6)
def test_nothing_is_allowed_that_the_registries_keep_off_the_internet(address):
    if allowed(address):
        assert (address.ipv4_mapped or address).is_global if address.version == 6 else address.is_global
        assert not any((address.is_multicast, address.is_link_local))


@settings(deadline=None)
@given(st.ip_addresses(v=4))
def test_an_address_inside_an_address_is_judged_by_itself(inside):
    number = int(inside)
    for outer in (0xFFFF << 32, 0x64FF9B << 96):
        assert allowed(ipaddress.IPv6Address(outer | number)) == allowed(inside)
    assert allowed(ipaddress.IPv6Address(0x2002 << 112 | number << 80 | 1)) == allowed(inside)


@pytest.mark.parametrize("network", [
    "0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16", "172.16.0.0/12", "192.0.0.0/24", "192.0.2.0/24", "192.168.0.0/16",
    "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24", "224.0.0.0/4", "240.0.0.0/4", "255.255.255.255/32", "192.88.99.0/24",
    "::/128", "::1/128", "64:ff9b:1::/48", "100::/64", "2001::/23", "2001:db8::/32", "3fff::/20", "5f00::/16", "fc00::/7", "fe80::/10", "fec0::/10",
    "ff00::/8",
])  # fmt: skip
def test_special_networks_are_refused_from_their_first_address_to_their_last(network):
    whole = ipaddress.ip_network(network)

    assert not allowed(whole[0])
    assert not allowed(whole[-1])


@pytest.mark.parametrize("address", ["8.8.8.8", "1.1.1.1", "100.63.255.255", "100.128.0.1", "172.15.255.255", "172.32.0.1", "198.17.255.255",
    "2606:4700::1111", "2a00:1450::1", "64:ff9b::8.8.8.8", "::ffff:8.8.8.8", "2002:808:808::1"])  # fmt: skip
def test_the_internet_is_allowed(address):
    assert allowed(address)


@pytest.mark.parametrize(
    "text", ["", "receiver.example", "127.1", "fe80::1%eth0", "2606:4700::1111%1", "8.8.8.8/32"]
)
def test_what_is_no_address_is_not_allowed(text):
    assert not allowed(text)


def test_a_trial_is_named_by_host_and_port():
    trials = trials_of("127.0.0.1:18443, [::1]:18443,Receiver.Test:9443")

    assert vet("https://127.0.0.1:18443/x", trials=trials) == Place("127.0.0.1", 18443, "/x", is_trial=True)
    assert vet("https://[::1]:18443/x", trials=trials).authority == "[::1]:18443"
    assert vet("https://receiver.test:9443/x", trials=trials).is_trial
    for other in (
        "https://127.0.0.1:18444/",
        "https://127.0.0.2:18443/",
        "http://127.0.0.1:18443/",
        "https://a@127.0.0.1:18443/",
    ):
        with pytest.raises(Unfit):
            vet(other, trials=trials)
    assert not vet("https://receiver.example/", trials=trials).is_trial


@pytest.mark.parametrize("text", ["127.0.0.1", ":18443", "receiver.test:x"])
def test_a_trial_without_host_or_port_is_refused(text):
    with pytest.raises(ValueError, match="no host and port"):
        trials_of(text)


def test_no_trial_is_the_usual_thing():
    assert trials_of("") == frozenset()
