"""The safeguards around a controller, each a class with a switch of its own."""
