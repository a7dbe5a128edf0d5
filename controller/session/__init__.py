"""The service: session state, journal, control socket, operator steps; starts the other processes."""
