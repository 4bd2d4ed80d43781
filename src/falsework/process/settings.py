"""Printer, Material, Structure and Process: frozen values with units in their names.

Each checks itself when it is made: ``ProcessError`` says which setting is out of range or does not fit the
others.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from falsework.errors import ProcessError
from falsework.process.checks import check_fields, check_fit
from falsework.process.derived import LAYER_TOLERANCE, Gap, bead_section_mm2
from falsework.process.earlier import CORNER_AT_MM_S, renewed
from falsework.process.fields import setting

OWN_NAME = "a name of our own"
_USUAL_REACH = 0.5  # of the line width; with layers half as high as wide this is the 45° of common practice
_REACH_PER_FAN = 0.15  # from memory: full fan against none moves the threshold from about 0.65 to 0.5


@dataclass(frozen=True)
class Printer:
    """The machine: what it can reach and how fast it moves.

    Examples
    --------
    >>> import falsework
    >>> falsework.Printer(name="mole", build_height_mm=180.0).build_height_mm
    180.0
    """

    EARLIER = staticmethod(renewed)

    name: str = setting("generic bench printer", help="what the print room calls it", source=OWN_NAME)
    build_width_mm: float = setting(
        220.0, help="build volume along x", unit="mm", low=10, high=5000, source="from memory: a common size"
    )
    build_depth_mm: float = setting(
        220.0, help="build volume along y", unit="mm", low=10, high=5000, source="from memory: a common size"
    )
    build_height_mm: float = setting(
        250.0, help="build volume along z", unit="mm", low=10, high=5000, source="from memory: a common size"
    )
    filament_diameter_mm: float = setting(
        1.75, help="filament diameter", unit="mm", low=1.0, high=5.0, source="common practice, no source"
    )
    acceleration_mm_s2: float = setting(
        1000.0,
        help="acceleration of printing moves",
        unit="mm/s²",
        low=10,
        high=50000,
        source="from memory: a modest value",
    )
    corner_loss_s: float = setting(
        0.045,
        help="time lost in a right-angled corner taken at 60 mm/s, against running straight on; a full stop "
        "is the most that counts",
        unit="s",
        low=0,
        high=5,
        source="from memory: a modest machine; time a square of short sides against a circle to measure it",
    )
    travel_speed_mm_s: float = setting(
        120.0, help="speed of moves that extrude nothing", unit="mm/s", low=5, high=1000, source="from memory"
    )
    price_per_hour: float = setting(
        0.5,
        help="what an hour of this machine costs, in your currency",
        unit="per hour",
        low=0,
        high=1000,
        source="from memory: power and wear; set your own",
    )
    origin: str = setting(
        "corner",
        help="where on the bed programs count from: its corner in front on the left, or its middle",
        choices=("corner", "centre"),
        source="common practice, no source: machines with a square frame, and those with three arms",
    )
    nozzle_limit_c: float = setting(
        300.0,
        help="the hottest its nozzle may be asked to be",
        unit="°C",
        low=150,
        high=600,
        source="common practice, no source: hot ends of metal throughout; lined ones bear some 250",
    )
    bed_limit_c: float = setting(
        130.0,
        help="the hottest its bed may be asked to be",
        unit="°C",
        low=30,
        high=300,
        source="common practice, no source: more is not asked of common beds",
    )

    def __post_init__(self) -> None:
        check_fields(self, "printer")

    @property
    def corner_speed_mm_s(self) -> float:
        """Speed left in a right-angled corner, from the time that is lost there.

        Braking from v to c and speeding up again takes (v − c)² / (a v) longer than running on.
        """
        lost_mm2_s2 = self.corner_loss_s * self.acceleration_mm_s2 * CORNER_AT_MM_S
        return max(CORNER_AT_MM_S - math.sqrt(lost_mm2_s2), 0.0)


@dataclass(frozen=True)
class Material:
    """The filament: price, temperatures, and the properties that the droop model uses.

    Examples
    --------
    >>> import falsework
    >>> falsework.Material(name="PETG", density_g_cm3=1.27).density_g_cm3
    1.27
    """

    name: str = setting("PLA", help="the material's name", source=OWN_NAME)
    density_g_cm3: float = setting(
        1.24, help="density of the solid", unit="g/cm³", low=0.5, high=10, source="from memory: datasheets"
    )
    price_per_kg: float = setting(
        22.0,
        help="price of a kilogram, in your currency",
        unit="per kg",
        low=0,
        high=5000,
        source="from memory; set your own",
    )
    nozzle_temperature_c: float = setting(
        210.0, help="nozzle temperature", unit="°C", low=120, high=500, source="from memory: datasheets"
    )
    bed_temperature_c: float = setting(
        60.0, help="bed temperature", unit="°C", low=0, high=200, source="from memory: datasheets"
    )
    glass_temperature_c: float = setting(
        60.0, help="glass transition", unit="°C", low=20, high=300, source="from memory: datasheets"
    )
    heat_capacity_j_kg_k: float = setting(
        1800.0,
        help="specific heat of the melt",
        unit="J/(kg·K)",
        low=500,
        high=5000,
        source="from memory; 1200 measured by Zmeskal, Marackova, Lapcikova 2020, "
        "AIP Conf. Proc. 2305:020022",
    )
    conductivity_w_m_k: float = setting(
        0.13,
        help="thermal conductivity",
        unit="W/(m·K)",
        low=0.05,
        high=5,
        source="from memory; 0.12 in Zmeskal et al. 2020, 0.267 on a plate in Baraboi et al. 2026, "
        "Materials 19(13):2793",
    )
    youngs_modulus_gpa: float = setting(
        3.3,
        help="Young's modulus of the cold solid",
        unit="GPa",
        low=0.01,
        high=100,
        source="from memory: datasheets",
    )
    wlf_d1_pa_s: float = setting(
        3.317e9,
        help="zero-shear viscosity at the temperature D2 (WLF)",
        unit="Pa·s",
        low=1,
        high=1e30,
        source="from memory: an injection-moulding report",
    )
    wlf_d2_c: float = setting(
        100.0,
        help="reference temperature D2 of the WLF law",
        unit="°C",
        low=-50,
        high=400,
        source="from memory: an injection-moulding report",
    )
    wlf_a1: float = setting(
        20.19, help="A1 of the WLF law", low=1, high=200, source="from memory: an injection-moulding report"
    )
    wlf_a2_k: float = setting(
        51.6, help="A2 of the WLF law", unit="K", low=1, high=500, source="from memory: universal value"
    )
    taut_strain: float = setting(
        0.010,
        help="net strain that keeps a bridging strand taut while it cools (contraction less overfeed)",
        low=0.0,
        high=0.2,
        source="constructed; to be fitted by tuning",
    )
    usual_fan: float = setting(
        1.0,
        help="fan share at which common practice's 45° limit is taken to hold for this material",
        low=0,
        high=1,
        source="from memory",
    )
    weld_strength_mpa: float = setting(
        30.0,
        help="strength of a full weld between layers",
        unit="MPa",
        low=0.1,
        high=500,
        source="33.75 interface (PLA), 3D Printing and Additive Manufacturing, doi 10.1089/3dp.2020.0109; "
        "rounded down",
    )

    def __post_init__(self) -> None:
        check_fields(self, "material")


@dataclass(frozen=True)
class Structure:
    """How supports of the part's own material are built.

    Examples
    --------
    >>> import falsework
    >>> falsework.Structure(weave="crossed", spacing_mm=3.0).form
    'designed'
    """

    EARLIER = staticmethod(renewed)

    form: str = setting(
        "designed",
        help="what supports are built as: designed (shores, which narrow downwards into posts, or a curtain, "
        "whichever is cheaper), or always a curtain: walls straight down",
        choices=("designed", "curtain"),
        source="our own choice: half the filament and less, in benchmarks/shores.py",
    )
    weave: str = setting(
        "parallel",
        help="how the strands of the support's body run: all one way, or every layer in two directions",
        choices=("parallel", "crossed"),
        source="our own choice: walls that run one way snap off one by one; crossed ones brace each other, "
        "take twice the filament and hold on",
    )
    spacing_mm: float = setting(
        2.0,
        help="distance between the lines of a curtain's body",
        unit="mm",
        low=0.3,
        high=50,
        source="common practice, no source",
    )
    lane_spacing_mm: float = setting(
        0.0,
        help="distance between the lanes under a shore's cap; 0 means: as far as the cap bridges well",
        unit="mm",
        low=0.0,
        high=50,
        source="our own choice: the bridge law, 5 % of the way to the support",
    )
    line_angle_deg: float = setting(
        0.0,
        help="direction of the body's lines, from x towards y",
        unit="°",
        low=-180,
        high=180,
        source="our own choice: along x",
    )
    perimeter_lines: int = setting(
        0,
        help="closed lines around the body; they hold it together and make it harder to remove",
        low=0,
        high=3,
        source="common practice, no source",
    )
    interface_layers: int = setting(
        2,
        help="interface layers on top: strands side by side, on which the part's first layer lies flat",
        low=0,
        high=20,
        source="common practice, no source",
    )
    interface_layers_below: int = setting(
        1,
        help="interface layers beneath, where the support stands on the part",
        low=0,
        high=20,
        source="common practice, no source",
    )
    air_gap_layers: float = setting(
        2.0,
        help="air gap under the part as a multiple of the layer height",
        low=0.0,
        high=20,
        source="common practice, no source: 0.2 mm layers, 0.4 mm gap; 0.9 mm layers, 1.8 mm gap",
    )
    air_gap_mm: float = setting(
        0.0,
        help="air gap under the part in mm; 0 means: take air_gap_layers",
        unit="mm",
        low=0.0,
        high=20,
        source="our own choice: the gap follows the layer height",
    )
    air_gap_below_layers: float = setting(
        1.0,
        help="air gap between a support's feet and the part they stand on, as a multiple of the layer height",
        low=0.0,
        high=20,
        source="from memory: half the gap on top",
    )
    side_gap_mm: float = setting(
        0.4,
        help="sideways clearance between support and part",
        unit="mm",
        low=0.0,
        high=20,
        source="from memory: 0.2 mm moves and 0.1 mm fuses; doubled",
    )
    head_widths: float = setting(
        5.0,
        help="width of the plate beneath a tip, a corner or an edge narrower than a line, in line widths",
        low=2.0,
        high=50.0,
        source="our own choice: a closed line around three strands, the least that stays where it is laid",
    )
    foot_widening_mm: float = setting(
        1.0,
        help="how far the foot on the bed reaches past the body",
        unit="mm",
        low=0.0,
        high=20,
        source="from memory",
    )
    foot_layers: int = setting(2, help="layers of the widened foot", low=0, high=50, source="from memory")
    wall_slenderness: float = setting(
        40.0,
        help="greatest free height of a support wall over its thickness before it is tied",
        low=5,
        high=500,
        source="from memory; the Euler check may ask for less",
    )

    def __post_init__(self) -> None:
        check_fields(self, "structure")


@dataclass(frozen=True)
class Process:
    """One way of printing: nozzle, layers, cooling and speeds, with its machine, material and supports.

    Examples
    --------
    >>> import falsework
    >>> process = falsework.Process(layer_height_mm=0.1)
    >>> process.material.name, process.structure.weave
    ('PLA', 'parallel')
    """

    name: str = setting("unnamed", help="the process's name", source=OWN_NAME)
    nozzle_mm: float = setting(
        0.4, help="nozzle bore", unit="mm", low=0.1, high=3.0, source="common practice, no source"
    )
    layer_height_mm: float = setting(
        0.2,
        help="layer height, at most the nozzle bore",
        unit="mm",
        low=0.02,
        high=2.5,
        source="common practice, no source: half the nozzle bore",
    )
    first_layer_height_mm: float = setting(
        0.2,
        help="height of the first layer, at most the nozzle bore",
        unit="mm",
        low=0.02,
        high=2.5,
        source="common practice, no source: half the nozzle bore",
    )
    line_width_mm: float = setting(
        0.45,
        help="width of one strand, at least the layer height",
        unit="mm",
        low=0.05,
        high=5.0,
        source="from memory: about 1.125 times the nozzle bore",
    )
    fan: float = setting(
        1.0, help="cooling fan, share of full", low=0.0, high=1.0, source="from memory: full for PLA"
    )
    reach_share: float = setting(
        0.0,
        help="how far a layer may reach past the one beneath and still hold, as a share of the line width; "
        "0 means: by the trade's rule",
        low=0.0,
        high=10.0,
        source="our own choice: the trade's rule counts until test prints say otherwise",
    )
    room_temperature_c: float = setting(
        25.0,
        help="air around the part",
        unit="°C",
        low=-20,
        high=120,
        source="from memory: an open machine in a room",
    )
    wall_lines: int = setting(
        2, help="closed lines around the part's sections", low=1, high=20, source="from memory"
    )
    solid_layers: int = setting(
        4,
        help="solid layers above and below",
        low=0,
        high=50,
        source="from memory: about 0.8 mm of solid",
    )
    fill: float = setting(
        0.15, help="fill of the part's inside, share of solid", low=0.0, high=1.0, source="from memory"
    )
    wall_speed_mm_s: float = setting(
        45.0, help="speed of walls", unit="mm/s", low=1, high=1000, source="from memory"
    )
    fill_speed_mm_s: float = setting(
        60.0, help="speed of fill", unit="mm/s", low=1, high=1000, source="from memory"
    )
    bridge_speed_mm_s: float = setting(
        30.0, help="speed over air", unit="mm/s", low=1, high=1000, source="from memory"
    )
    support_speed_mm_s: float = setting(
        60.0, help="speed of supports", unit="mm/s", low=1, high=1000, source="from memory: as fill"
    )
    first_layer_speed_mm_s: float = setting(
        20.0, help="speed of the first layer", unit="mm/s", low=1, high=1000, source="from memory"
    )
    printer: Printer = Printer()
    material: Material = Material()
    structure: Structure = Structure()

    def __post_init__(self) -> None:
        check_fields(self, "process")
        for name, kind in (("printer", Printer), ("material", Material), ("structure", Structure)):
            if not isinstance(value := getattr(self, name), kind):
                raise ProcessError(name, f"a {type(value).__name__} is none", f"Give a {kind.__name__}")
        check_fit(self)

    @property
    def filament_section_mm2(self) -> float:
        """Section of the filament that goes into the machine."""
        return 0.25 * math.pi * self.printer.filament_diameter_mm**2

    @property
    def filament_per_mm(self) -> float:
        """Millimetres of filament fed per millimetre of bead (volume balance)."""
        return bead_section_mm2(self.line_width_mm, self.layer_height_mm) / self.filament_section_mm2

    def flow_mm3_s(self, speed_mm_s: float) -> float:
        """Molten volume per second at a printing speed."""
        return bead_section_mm2(self.line_width_mm, self.layer_height_mm) * speed_mm_s

    @property
    def air_gap(self) -> Gap:
        """The air gap under the part: ``air_gap_mm`` counts where it is set, else ``air_gap_layers`` times
        the layer height."""
        asked_mm = self.structure.air_gap_mm or self.structure.air_gap_layers * self.layer_height_mm
        return Gap.of(asked_mm, self.layer_height_mm)

    @property
    def air_gap_below(self) -> Gap:
        """The air gap between support feet and the part they stand on."""
        return Gap.of(self.structure.air_gap_below_layers * self.layer_height_mm, self.layer_height_mm)

    def layer_count(self, height_mm: float) -> int:
        """How many layers a part of this height gets, at least 1.

        A layer is printed when its middle lies within the part, for there its section is taken: a rest of up
        to half a layer on top is left off.
        """
        above_first = (height_mm - self.first_layer_height_mm) / self.layer_height_mm
        return 1 + max(0, math.ceil(above_first - 0.5 - LAYER_TOLERANCE))

    @property
    def reach_fraction(self) -> float:
        """How far a layer may reach past the one beneath it and still hold, as a share of the line width.

        ``reach_share`` counts where it is set, as tuning does. Else half the width at the material's usual
        cooling, 0.15 more or less for a full share of fan.
        Half: common practice, no source (45° where the layer is half as high as the line is wide).
        0.15: from memory.
        """
        if self.reach_share > 0:
            return self.reach_share
        return _USUAL_REACH + _REACH_PER_FAN * (self.fan - self.material.usual_fan)

    @property
    def reach_mm(self) -> float:
        """How far a layer may reach past the one beneath it and still hold."""
        return self.reach_fraction * self.line_width_mm

    @property
    def limit_deg(self) -> float:
        """The same reach as an angle from the vertical, at the layer height."""
        return math.degrees(math.atan2(self.reach_mm, self.layer_height_mm))

    @property
    def head_reach_mm(self) -> float:
        """How far the head of a support reaches to either side of an edge that is too narrow to print."""
        return 0.5 * self.structure.head_widths * self.line_width_mm

    def with_usual_structure(self) -> Process:
        """The same with supports as they are where nothing is said of them: for what does not depend on how
        they are built."""
        usual = Structure()
        spacing_mm = max(usual.spacing_mm, self.line_width_mm)  # the lines of a wide bore would fuse
        return replace(self, structure=replace(usual, spacing_mm=spacing_mm))
