"""How light travels from the panel to the objective plane."""
