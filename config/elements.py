"""The elements of a run's path as the plant file writes them, one table each, told apart by their first key."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Any, Literal, Self

from pydantic import ConfigDict, Discriminator, Field, Tag, model_validator

from config.fields import (
    BallClosedDeg,
    BoreM,
    GateClosedDeg,
    LengthM,
    LossPoints,
    Name,
    NominalPipe,
    Porosity,
    RoughnessM,
    Table,
)
from config.pipes import HOSE_ROUGHNESS_M, PVC_ROUGHNESS_M
from config.plant import (
    Barb,
    CheckValve,
    CheckValveKind,
    Device,
    Element,
    Fitting,
    FittingKind,
    FixedK,
    MediaBed,
    Pipe,
    Reducer,
    Valve,
    ValveKind,
)
from config.units import show_bore

Count = Annotated[int, Field(ge=1, le=100, examples=[2])]


class NominalPipeTable(Table):
    """Pipe by its nominal size."""

    pipe: NominalPipe = Field(description='Nominal size and schedule, e.g. "1-1/2 in sch 40".')
    length_m: LengthM = Field(alias="length", description="Length of the pipe.")
    roughness_m: RoughnessM = Field(
        default=PVC_ROUGHNESS_M,
        alias="roughness",
        json_schema_extra={"default": "0.0015 mm"},
        description="Wall roughness.",
    )

    def record(self) -> Element:
        """The pipe, in SI."""
        return Pipe(
            label=self.pipe.name,
            bore_m=self.pipe.bore_m,
            length_m=self.length_m,
            roughness_m=self.roughness_m,
            nominal_in=self.pipe.nominal_in,
        )


class BorePipeTable(Table):
    """Pipe by its bore."""

    bore_m: BoreM = Field(alias="bore", description="Inner diameter of the pipe.")
    length_m: LengthM = Field(alias="length", description="Length of the pipe.")
    roughness_m: RoughnessM = Field(
        default=PVC_ROUGHNESS_M,
        alias="roughness",
        json_schema_extra={"default": "0.0015 mm"},
        description="Wall roughness.",
    )

    def record(self) -> Element:
        """The pipe, in SI."""
        label = f"{show_bore(self.bore_m)} bore pipe"
        return Pipe(label=label, bore_m=self.bore_m, length_m=self.length_m, roughness_m=self.roughness_m)


class HoseTable(Table):
    """Hose by its inner diameter, which is what its nominal size means."""

    hose_m: BoreM = Field(alias="hose", description="Inner diameter of the hose.")
    length_m: LengthM = Field(alias="length", description="Length of the hose.")
    roughness_m: RoughnessM = Field(
        default=HOSE_ROUGHNESS_M,
        alias="roughness",
        json_schema_extra={"default": "0.01 mm"},
        description="Wall roughness.",
    )

    def record(self) -> Element:
        """The hose, in SI."""
        label = f"{show_bore(self.hose_m)} hose"
        return Pipe(label=label, bore_m=self.hose_m, length_m=self.length_m, roughness_m=self.roughness_m)


class EntranceTable(Table):
    """Entrance from a tank into the pipe."""

    entrance: Literal["sharp", "rounded", "projecting"] = Field(description="Shape of the edge.")

    def record(self) -> Element:
        """The fitting."""
        return Fitting(kind=FittingKind(f"entrance, {self.entrance}"))


class ElbowTable(Table):
    """Elbows of one kind."""

    elbow: Literal["90", "90 long", "45"] = Field(description='Angle in degrees; "90 long" is a long sweep.')
    count: Count = Field(default=1, description="How many.")

    def record(self) -> Element:
        """The fittings."""
        kinds = {"90": FittingKind.ELBOW_90, "90 long": FittingKind.ELBOW_90_LONG, "45": FittingKind.ELBOW_45}
        return Fitting(kind=kinds[self.elbow], count=self.count)


class TeeTable(Table):
    """A tee, by the way that this run's water takes through it."""

    tee: Literal["run", "branch"] = Field(description="Straight on, or out of the side.")
    count: Count = Field(default=1, description="How many.")

    def record(self) -> Element:
        """The fitting."""
        return Fitting(kind=FittingKind(f"tee, {self.tee}"), count=self.count)


class UnionTable(Table):
    """Unions."""

    union: Count = Field(description="How many.")

    def record(self) -> Element:
        """The fittings."""
        return Fitting(kind=FittingKind.UNION, count=self.union)


class CouplingTable(Table):
    """Couplings."""

    coupling: Count = Field(description="How many.")

    def record(self) -> Element:
        """The fittings."""
        return Fitting(kind=FittingKind.COUPLING, count=self.coupling)


class BallValveTable(Table):
    """A ball valve."""

    ball_valve: BallClosedDeg = Field(description='Opening ("60 %"), or turn of the handle from fully open ("30 deg").')

    def record(self) -> Element:
        """The valve."""
        return Valve(kind=ValveKind.BALL, closed_deg=self.ball_valve)


class GateValveTable(Table):
    """A gate valve."""

    gate_valve: GateClosedDeg = Field(description='Opening, e.g. "60 %".')

    def record(self) -> Element:
        """The valve."""
        return Valve(kind=ValveKind.GATE, closed_deg=self.gate_valve)


class CheckValveTable(Table):
    """A check valve: the run passes water outward only."""

    check_valve: Literal["swing", "lift", "ball"] = Field(description="How it works.")

    def record(self) -> Element:
        """The valve."""
        return CheckValve(kind=CheckValveKind(f"{self.check_valve} check valve"))


class BarbTable(Table):
    """A hose barb."""

    barb_m: BoreM = Field(alias="barb", description="The hole through the barb, not the hose that it fits.")

    def record(self) -> Element:
        """The barb, in SI."""
        return Barb(bore_m=self.barb_m)


class ReducerTable(Table):
    """How the next change of bore is made."""

    reducer: Literal["gradual", "sudden"] = Field(description="Without a reducer a change of bore is sudden.")

    def record(self) -> Element:
        """The reducer."""
        return Reducer(gradual=self.reducer == "gradual")


class FixedKTable(Table):
    """A minor loss by its K."""

    k: float = Field(alias="K", ge=0, le=1e6, examples=[3.5], description="Minor loss K on the bore in force.")

    def record(self) -> Element:
        """The loss."""
        return FixedK(k=self.k)


class BedTable(Table):
    """A bed of grains by its dimensions."""

    bore_m: BoreM = Field(alias="bore", description="Inner diameter of the vessel.")
    depth_m: BoreM = Field(alias="depth", description="Depth of the bed.")
    grain_m: BoreM = Field(alias="grain", description="Effective grain diameter.")
    porosity: Porosity = Field(description='Share of the bed that is not grain, 0.4 or "40 %".')

    @model_validator(mode="after")
    def check(self) -> Self:
        """The grains fit the vessel."""
        if self.grain_m >= self.bore_m:
            raise ValueError("the grains must be smaller than the vessel's bore")
        return self


class DeviceTable(Table):
    """A reactor, steriliser or filter: by its measured loss, or by its bed."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["loss"]}, {"required": ["bed"]}]})

    device: Name = Field(description="What it is.", examples=["carbon reactor"])
    loss: LossPoints | None = Field(default=None, description="Measured head loss: [flow, head] points.")
    bed: BedTable | None = Field(default=None, description="A bed of grains by its dimensions.")

    @model_validator(mode="after")
    def check(self) -> Self:
        """One way to know the loss."""
        if (self.loss is None) == (self.bed is None):
            raise ValueError("a device has either `loss` (measured points) or `bed` (its dimensions), and not both")
        return self

    def record(self) -> Element:
        """The device, in SI."""
        if self.bed is None:
            return Device(name=self.device, loss=self.loss or ())
        return MediaBed(
            name=self.device,
            bore_m=self.bed.bore_m,
            depth_m=self.bed.depth_m,
            grain_m=self.bed.grain_m,
            porosity=self.bed.porosity,
        )


class ExitTable(Table):
    """The exit into a tank."""

    exit: Literal[True] = Field(description="Always true.")

    def record(self) -> Element:
        """The fitting."""
        return Fitting(kind=FittingKind.EXIT)


ELEMENT_TABLES: Mapping[str, type[Table]] = MappingProxyType(
    {
        "pipe": NominalPipeTable,
        "hose": HoseTable,
        "device": DeviceTable,
        "entrance": EntranceTable,
        "elbow": ElbowTable,
        "tee": TeeTable,
        "union": UnionTable,
        "coupling": CouplingTable,
        "ball_valve": BallValveTable,
        "gate_valve": GateValveTable,
        "check_valve": CheckValveTable,
        "barb": BarbTable,
        "reducer": ReducerTable,
        "K": FixedKTable,
        "exit": ExitTable,
        "bore": BorePipeTable,
    }
)
BORE_KEYS = frozenset({"pipe", "bore", "hose"})


def tag_of(key: str) -> str:
    """The mark that an element's table leaves in an error's place; it can be told from a key of the file."""
    return f"<{key}>"


def element_key(value: Any) -> str | None:
    """The key that says what an element is; None if there is none."""
    if not isinstance(value, dict):
        return None
    return next((key for key in ELEMENT_TABLES if key in value), None)


def _element_tag(value: Any) -> str | None:
    """The tag of the table that an element is read by."""
    key = element_key(value)
    return None if key is None else tag_of(key)


ElementTable = Annotated[
    Annotated[NominalPipeTable, Tag("<pipe>")]
    | Annotated[HoseTable, Tag("<hose>")]
    | Annotated[DeviceTable, Tag("<device>")]
    | Annotated[EntranceTable, Tag("<entrance>")]
    | Annotated[ElbowTable, Tag("<elbow>")]
    | Annotated[TeeTable, Tag("<tee>")]
    | Annotated[UnionTable, Tag("<union>")]
    | Annotated[CouplingTable, Tag("<coupling>")]
    | Annotated[BallValveTable, Tag("<ball_valve>")]
    | Annotated[GateValveTable, Tag("<gate_valve>")]
    | Annotated[CheckValveTable, Tag("<check_valve>")]
    | Annotated[BarbTable, Tag("<barb>")]
    | Annotated[ReducerTable, Tag("<reducer>")]
    | Annotated[FixedKTable, Tag("<K>")]
    | Annotated[ExitTable, Tag("<exit>")]
    | Annotated[BorePipeTable, Tag("<bore>")],
    Discriminator(_element_tag),
]
