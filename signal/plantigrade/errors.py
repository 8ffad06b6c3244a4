"""Every error the signal package raises on purpose."""


class SignalError(ValueError):
    """Root of the signal package's errors; its text is one sentence for the user."""


class LayoutError(SignalError):
    """A zone layout that cannot be used."""


class CalibrationError(SignalError):
    """A calibration that cannot be used, or data too poor to calibrate from."""


class SampleError(SignalError):
    """Samples whose shape, order or values no measure can be made from."""
