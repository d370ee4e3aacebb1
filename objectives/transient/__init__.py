"""Large signals: stages solved in time, their harmonics and their headroom."""
