"""The controllers that come with the testbed."""
