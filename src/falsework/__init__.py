"""falsework: the bench for supports in filament printing."""
