"""The brief: what its TOML file may say, how it is read and checked."""
