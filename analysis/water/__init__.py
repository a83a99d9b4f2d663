"""Water and carbon: the chemistry that a carbon-dosing trial stands on, each constant beside its source."""
