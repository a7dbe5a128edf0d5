"""Hardware stop inputs: loops of normally closed contacts, read by whoever can read them, debounced within a bound."""
