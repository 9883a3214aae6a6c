"""What a profile may say of a field's errors, and what of that contradicts itself."""

from dataclasses import replace
from typing import Annotated, Self

from pydantic import Field, model_validator

from daq.config.checked import Model, NotNegative, Positive
from daq.records import Accuracy


class CertificateModel(Model):
    """What a calibration certificate states: U and k."""

    expanded_uncertainty: Positive | None = Field(
        None, description="U as the certificate states it [unit of the field]"
    )
    expanded_uncertainty_percent: Positive | None = Field(
        None, description="U where it is stated as a share of the reading [%]"
    )
    coverage_factor: Annotated[float, Field(ge=1, le=10)] = Field(
        description="k that belongs to U, mostly 2"
    )
    degrees_of_freedom: Annotated[float, Field(ge=1)] | None = Field(
        None, description="effective, where the certificate states them"
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        given = (self.expanded_uncertainty, self.expanded_uncertainty_percent)
        if given.count(None) != 1:
            msg = (
                "expanded_uncertainty and expanded_uncertainty_percent state the same,"
                " expected one of them"
            )
            raise ValueError(msg)
        return self


_SAME_ERROR = (
    ("percent_of_reading", "gain_percent"),
    ("absolute", "offset"),
    ("percent_of_range", "linearity_percent"),
)


class AccuracyModel(Model):
    """The maker's accuracy statement; what is left out counts as zero.

    In one piece (percent_of_reading, percent_of_range, counts, absolute), or in parts where they are known apart
    (gain_percent, offset, linearity_percent); the temperature and a certificate may stand beside either.
    """

    percent_of_reading: NotNegative = 0.0
    percent_of_range: NotNegative = 0.0
    counts: NotNegative = Field(
        0.0, description="digits of the display, each worth one resolution"
    )
    absolute: NotNegative = Field(0.0, description="constant part [unit of the field]")
    gain_percent: NotNegative = Field(
        0.0, description="limit of the gain error by itself [% of reading]"
    )
    offset: NotNegative = Field(
        0.0,
        description="limit of the zero error by itself [unit of the field]; falls away where the idle reading is subtracted",
    )
    linearity_percent: NotNegative = Field(
        0.0, description="limit of the linearity error by itself [% of full_scale]"
    )
    temperature_percent_per_k: NotNegative = Field(
        0.0, description="temperature coefficient [% of reading per K]"
    )
    temperature_span_k: NotNegative = Field(
        0.0,
        description="the bench stays within so much of the reference temperature [K]",
    )
    certificate: CertificateModel | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        twice = [
            f"{whole} and {part}"
            for whole, part in _SAME_ERROR
            if getattr(self, whole) and getattr(self, part)
        ]
        if twice:
            msg = f"states the same error twice, in one piece and apart: {', '.join(twice)}; expected one of each pair"
            raise ValueError(msg)
        if bool(self.temperature_percent_per_k) != bool(self.temperature_span_k):
            msg = (
                "temperature_percent_per_k and temperature_span_k belong together,"
                " expected both or none"
            )
            raise ValueError(msg)
        return self


def accuracy_of(
    stated: AccuracyModel, *, resolution: float, full_scale: float
) -> Accuracy:
    """The record that the core reckons with.

    Args:
        stated: As the profile has it.
        resolution: The display's step [unit of the field].
        full_scale: End of the range [unit of the field]; 0 where none is stated.
    """
    certificate = stated.certificate
    accuracy = Accuracy(
        resolution=resolution,
        full_scale=full_scale,
        **stated.model_dump(exclude={"certificate"}),
    )
    if certificate is None:
        return accuracy
    return replace(
        accuracy,
        certificate_u=certificate.expanded_uncertainty or 0.0,
        certificate_u_percent=certificate.expanded_uncertainty_percent or 0.0,
        certificate_k=certificate.coverage_factor,
        certificate_degrees_of_freedom=certificate.degrees_of_freedom,
    )
