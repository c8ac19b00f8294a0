"""Points in patient millimetres become lengths, angles, areas and stages."""
