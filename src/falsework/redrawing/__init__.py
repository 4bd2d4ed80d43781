"""Redrawing: changes to the part so that it needs no support, each applied and proved by planning again."""
