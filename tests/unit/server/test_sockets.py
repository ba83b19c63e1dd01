"""What one turn of the event loop writes leaves together, and nothing stays behind."""

import asyncio
import socket

import pytest

from forktail.server.sockets import Burst
from helpers import apart

pytestmark = pytest.mark.skipif(not hasattr(socket, "TCP_CORK"), reason="needs Linux's TCP_CORK")


def pair():
    """Two ends of a TCP connection of this machine."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        one = socket.create_connection(server.getsockname())
        other, _ = server.accept()
    one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return one, other


def corked(raw):
    return raw.getsockopt(socket.IPPROTO_TCP, socket.TCP_CORK)


def test_frames_of_a_turn_are_held_and_let_go_at_its_end():
    async def turn():
        one, other = pair()
        other.setblocking(False)
        burst = Burst(one)
        for part in (b"header", b"metadata", b"content"):
            burst.begin()
            one.send(part)
        with pytest.raises(BlockingIOError):
            other.recv(100)
        held = corked(one)
        await asyncio.sleep(0)
        other.setblocking(True)
        other.settimeout(30)
        got = other.recv(100), held, corked(one)
        one.close(), other.close()
        return got

    assert apart(turn()) == (b"headermetadatacontent", 1, 0)


def test_a_socket_that_closes_meanwhile_is_no_fault():
    async def turn():
        one, other = pair()
        faults = []
        asyncio.get_running_loop().set_exception_handler(lambda loop, told: faults.append(told))
        Burst(one).begin()
        one.close(), other.close()
        await asyncio.sleep(0)
        return faults

    assert apart(turn()) == []


def test_without_a_loop_nothing_is_held():
    one, other = pair()
    apart(Burst(one).begin)
    assert corked(one) == 0
    one.close(), other.close()
