"""Pictures that prove a finding, one file a kind: pure functions from data to Figure."""
