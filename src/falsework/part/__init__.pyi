from .demo import demo_parts as demo_parts
from .part import Health as Health
from .part import MeshFinding as MeshFinding
from .part import Part as Part
from .placing import fits as fits
from .placing import place as place
from .reading import read_part as read_part
