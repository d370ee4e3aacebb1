"""Radio frequencies at the grid."""
