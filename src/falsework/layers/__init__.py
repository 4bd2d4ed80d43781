"""Layers: a part's cross-sections and the polygon operations on them."""

from falsework.layers.slicing import layer_boundaries, stack_layers
from falsework.layers.stack import LayerStack

__all__ = ["LayerStack", "layer_boundaries", "stack_layers"]
