#include "daemon/guards/drift_guard.h"

#include <algorithm>
#include <cmath>

#include "protocol/base/text.h"

namespace creel {

void DriftGuard::measured(const FrameMeasures& measures) {
  if (measures.kind != ExposureKind::zero_loss) {
    return;
  }
  const auto position = measures.find(MeasureKind::zero_loss_ev);
  if (position && !first_) {
    first_ = position->value;
  }
  last_.push_back(position);
  ++since_move_;
  if (last_.size() > kInARow) {
    last_.erase(last_.begin());
  }
}

Verdict DriftGuard::before(const BeforeExposure& view) {
  if (view.exposure.kind == ExposureKind::dark || !first_ || last_.size() < kInARow) {
    return {};
  }
  if (std::none_of(last_.begin(), last_.end(), [](const auto& one) { return one.has_value(); })) {
    return {Verdict::What::hold,
            "zero-loss guard: no zero-loss peak is found in the last " + std::to_string(kInARow) +
                " references; it has left the detector, or no beam arrives",
            {{"first_ev", *first_}, {"references", kInARow}}};
  }
  const bool beyond = std::all_of(last_.begin(), last_.end(), [&](const auto& one) {
    return one && std::fabs(one->value - *first_ - view.offset_ev) > limit_.limit_ev;
  });
  if (!beyond) {
    return {};
  }
  const double off = last_.back()->value - *first_ - view.offset_ev;
  return move(view, off,
              {{"first_ev", *first_},
               {"zero_loss_ev", last_.back()->value},
               {"sigma_ev", std::isfinite(last_.back()->sigma) ? nlohmann::json(last_.back()->sigma)
                                                               : nlohmann::json(nullptr)},
               {"off_ev", off},
               {"limit_ev", limit_.limit_ev},
               {"axis_moved_ev", view.offset_ev},
               {"moved_times", moved_}});
}

Verdict DriftGuard::move(const BeforeExposure& view, double off, nlohmann::json numbers) {
  const std::string stands = "zero-loss guard: the zero loss stands " + number(off, 3) +
                             " eV from where it was first; " + number(limit_.limit_ev, 3) +
                             " eV are allowed";
  if (limit_.setting.empty()) {
    return {Verdict::What::hold, stands, std::move(numbers)};
  }
  if (moved_ > 0 && since_move_ <= kInARow) {
    return {Verdict::What::hold,
            stands + ". Moving the energy axis did not bring it back: does " + limit_.device + "." +
                limit_.setting + " work?",
            std::move(numbers)};
  }
  if (moved_ >= limit_.most_recentres) {
    return {Verdict::What::hold,
            stands + ". It was brought back " + std::to_string(moved_) +
                " times already, as often as allowed",
            std::move(numbers)};
  }
  recentred();
  numbers["new_axis_moved_ev"] = view.offset_ev + off;
  Verdict verdict{Verdict::What::recentre, stands + ". The energy axis is moved back",
                  std::move(numbers)};
  verdict.offset_ev = view.offset_ev + off;
  return verdict;
}

void DriftGuard::recentred() {
  ++moved_;
  since_move_ = 0;
  last_.clear();  // two new references decide whether it helped
}

void DriftGuard::went_on() {
  first_.reset();  // a person looked: where it stands now is where it belongs
  last_.clear();
  moved_ = 0;
  since_move_ = 0;
}

}  // namespace creel
