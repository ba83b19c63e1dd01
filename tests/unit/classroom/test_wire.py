"""The room on the wire, without a wire: where a request comes from."""

from types import SimpleNamespace

import pytest

from forktail.classroom.wire import address_of


@pytest.mark.parametrize(
    "remote, forwarded, address",
    [
        ("10.0.0.7", None, "10.0.0.7"),
        ("10.0.0.7", "10.0.0.1", "10.0.0.7"),  # anybody can write a header
        ("127.0.0.1", None, "127.0.0.1"),
        ("127.0.0.1", "10.0.0.7", "10.0.0.7"),  # the proxy of this machine
        ("127.0.0.1", "10.9.9.9, 10.0.0.7", "10.0.0.7"),  # it adds at the end what it saw
        ("2001:db8:1:2:3:4:5:6", None, "2001:db8:1:2::"),
        ("127.0.0.1", "nonsense", "nonsense"),
    ],
)
def test_address_of_a_request(remote, forwarded, address):
    headers = {} if forwarded is None else {"X-Forwarded-For": forwarded}
    assert address_of(SimpleNamespace(remote_ip=remote, headers=headers)) == address
