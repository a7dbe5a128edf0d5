"""The live page: a session to look at in a browser, read-only but for the stop, which goes to the guard."""
