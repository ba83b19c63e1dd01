"""The server: addresses, refusals, sockets."""
