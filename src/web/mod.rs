//! The local interface: HTTP over a Unix socket, server and client.
