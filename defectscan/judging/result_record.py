"""What grades say as JSON."""

from dataclasses import asdict
from typing import Any

from defectscan.judging.limits import JudgingLimits
from defectscan.judging.results import GroupResult
from defectscan.rater_statistics.estimate import Estimate, Undefined
from defectscan.version import __version__

FORMAT = "defectscan.judging/1"


def of_result(group: GroupResult, limits: JudgingLimits) -> dict[str, Any]:
    """Return a study of grades as JSON: what is undefined is null, with its reason beside it.

    Parameters
    ----------
    group
        From `study`.
    limits
        As used.
    """
    table = group.table
    grades = table.last()
    return {
        "format": FORMAT,
        "version": __version__,
        "scale": str(table.scale),
        "photos": len(table.photos),
        "sessions": len(table.sittings),
        "limits": asdict(limits),
        "group": {
            "verdict": group.answer,
            "reasons": group.reasons,
            "krippendorff_alpha": plain(group.alpha),
            "fleiss_kappa": plain(group.fleiss),
            "intraclass_correlation": plain(group.icc),
            "kendall_w": plain(group.concordance),
            "bias": plain(group.bias),
            "gauge_study": plain(group.gauge),
            "splitting_photos": [
                {
                    "photo": table.photos[split.photo].ident,
                    "name": table.photos[split.photo].name,
                    "value": table.truth[split.photo],
                    "p_value": split.p_value,
                    "grades": dict(zip(table.raters, grades[split.photo], strict=True)),
                    "lean": dict(zip(table.raters, split.residual, strict=True)),
                }
                for split in group.splits
            ],
        },
        "raters": [
            {
                "rater": one.rater,
                "grades": one.n_grades,
                "sessions": one.n_sessions,
                "verdict": one.answer,
                "reasons": one.reasons,
                "kappa_with_value": plain(one.truth_kappa),
                "kappa_with_oneself": plain(one.self_kappa),
                "kappa_between_sessions": plain(one.days_kappa),
                "kappa_with_others": plain(one.others_kappa),
                "intraclass_correlation_with_value": plain(one.truth_icc),
                "repeatability": plain(one.repeatability),
                "bias": plain(one.errors.bias),
                "spread": plain(one.errors.spread),
                "bias_with_slips": plain(one.errors.bias_with_slips),
                "slips": [
                    {
                        "photo": table.photos[row].ident,
                        "name": table.photos[row].name,
                        "value": table.truth[row],
                        "grade": grades[row, i],
                    }
                    for row in one.errors.slips
                ],
                "slip_share": plain(one.errors.slip_share),
                "limits_of_agreement": plain(one.limits),
                "leans": [
                    {
                        "group": lean.group,
                        "n": lean.n,
                        "by_value": lean.by_truth,
                        **plain(lean.difference),
                    }
                    for lean in one.leans
                ],
                "learning": plain(one.learning),
            }
            for i, one in enumerate(group.raters)
        ],
    }


def plain(result: Any) -> Any:  # noqa: ANN401 - any statistic
    """Return a statistic as JSON."""
    if isinstance(result, Undefined):
        return {"value": None, "low": None, "high": None, "undefined": result.reason}
    if isinstance(result, Estimate):
        told: dict[str, Any] = {"value": result.value, "low": result.low, "high": result.high}
        return told | ({"caution": result.caution} if result.caution else {})
    names = result.__dataclass_fields__
    values = {name: getattr(result, name) for name in names}
    return {
        name: plain(value)
        if isinstance(value, (Estimate, Undefined)) or hasattr(value, "__dataclass_fields__")
        else value
        for name, value in values.items()
    }
