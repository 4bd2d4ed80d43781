from .cost import Cost as Cost
from .filament import Rates as Rates
from .part import PartLayers as PartLayers
from .part import part_cost as part_cost
from .strands import Laying as Laying
