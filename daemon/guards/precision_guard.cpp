#include "daemon/guards/precision_guard.h"

#include "protocol/base/text.h"

namespace creel {

Verdict PrecisionGuard::before(const BeforeExposure& view) {
  if (!view.exposure.gives_dose() || !view.answer || view.answer->frames < limit_.least_exposures ||
      !(view.answer->ratio > 0) ||
      !(view.answer->sigma <= limit_.ratio_relative * view.answer->ratio)) {
    return {};
  }
  return {Verdict::What::end,
          "precision guard: the white-line ratio is " + number(view.answer->ratio, 4) + " +- " +
              number(view.answer->sigma, 2) + " from " + std::to_string(view.answer->frames) +
              " frames, as well as was asked for; the specimen is spared the rest",
          {{"white_line_ratio", view.answer->ratio},
           {"sigma", view.answer->sigma},
           {"frames", view.answer->frames},
           {"wanted_relative", limit_.ratio_relative}},
          Duration{}};
}

}  // namespace creel
