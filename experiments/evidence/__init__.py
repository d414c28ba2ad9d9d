"""The evidence: published figures beside simulated ones, graded by fixed rules."""
