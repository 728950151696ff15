#include "client/report/picture.h"

#include <utility>

#include "client/report/drawing.h"
#include "client/report/figure.h"

namespace creel::report {

Result<Picture> draw_picture(session::Reader& reader, const std::string& base,
                             const Progress& progress) {
  auto sums = sum_session(reader, progress);
  if (!sums.ok()) {
    return sums.error();
  }
  CREEL_TRY(draw_files(base, [&](Format format, std::string_view output) {
    return figure_script(*sums, format, output);
  }));
  return Picture{base + ".svg", base + ".png", std::move(*sums)};
}

}  // namespace creel::report
