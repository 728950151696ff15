#include "daemon/guards/reference_guards.h"

#include <cmath>

#include "protocol/base/text.h"

namespace creel {

namespace {

nlohmann::json or_null(double value) {
  return std::isfinite(value) ? nlohmann::json(value) : nlohmann::json(nullptr);
}

}  // namespace

void ContaminationGuard::measured(const FrameMeasures& measures) {
  const auto found = measures.find(MeasureKind::t_over_lambda);
  if (!found) {
    return;
  }
  State& state = areas_[measures.area];
  state.last = *found;
  state.dose = measures.dose;
  if (state.references < kFirst) {
    state.start = (state.start * state.references + found->value) / (state.references + 1);
    ++state.references;
    return;
  }
  const bool beyond = found->value - state.start > limit_.t_over_lambda_rise;
  state.beyond = beyond ? state.beyond + 1 : 0;
}

Verdict ContaminationGuard::before(const BeforeExposure& view) {
  if (!view.exposure.gives_dose()) {
    return {};
  }
  for (const auto& [area, state] : areas_) {
    if (state.beyond >= kInARow) {
      return {limit_.ends ? Verdict::What::end : Verdict::What::hold,
              "contamination guard: t/lambda has risen from " + number(state.start, 3) + " to " +
                  number(state.last.value, 3) + "; a rise of " +
                  number(limit_.t_over_lambda_rise, 3) + " is allowed",
              {{"area", area},
               {"t_over_lambda", state.last.value},
               {"sigma", or_null(state.last.sigma)},
               {"start", state.start},
               {"rise_allowed", limit_.t_over_lambda_rise},
               {"area_dose_e_per_a2", state.dose}}};
    }
  }
  return {};
}

void BroadeningGuard::measured(const FrameMeasures& measures) {
  const auto found = measures.find(MeasureKind::zero_loss_fwhm_ev);
  if (found) {
    last_ = *found;
    beyond_ = found->value > limit_.zero_loss_fwhm_ev ? beyond_ + 1 : 0;
  }
}

Verdict BroadeningGuard::before(const BeforeExposure& view) {
  if (view.exposure.kind == ExposureKind::dark || beyond_ < kInARow) {
    return {};
  }
  return {Verdict::What::hold,
          "broadening guard: the zero loss is " + number(last_.value, 3) + " eV wide; " +
              number(limit_.zero_loss_fwhm_ev, 3) + " eV are allowed",
          {{"zero_loss_fwhm_ev", last_.value},
           {"sigma_ev", or_null(last_.sigma)},
           {"allowed_ev", limit_.zero_loss_fwhm_ev},
           {"references_in_a_row", beyond_}}};
}

}  // namespace creel
