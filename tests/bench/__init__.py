"""Timing measured on this machine: `make bench`. Real processes on a pty; every figure beside a floor."""
