"""What a triode gain stage is, its physics and its scores: pure functions of arrays."""
