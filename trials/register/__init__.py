"""The append-only record of what was decided and seen."""
