"""What a report says of a baseline: of none, of a lift that has no spread, of a walk's."""

import pytest

from plantigrade_gateway.analysis.quality import FootQuality, Gaps
from plantigrade_gateway.report.session import _quality_cells


@pytest.mark.parametrize(
    ("error_n", "age_s", "said"),
    [
        (None, None, "not set by a walk"),
        (None, 30.0, "12.3 N, 30.0 s old"),
        (1.25, 75.0, "12.3 ± 1.2 N, 1 min 15 s old"),
    ],
)
def test_the_baseline_is_said_with_the_spread_that_is_known(error_n, age_s, said):
    foot = FootQuality(100, 0, Gaps(0, 0.0, 0.0), 0, (), 12.34, error_n, age_s, None)
    assert dict(_quality_cells(foot))["baseline taken off"] == said
