"""The circuit of a stage: operating point, small-signal network, noise, poles and neighbours."""
