#include "client/report/picture.h"

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <system_error>

#include "client/report/figure.h"
#include "client/report/gnuplot.h"

namespace creel::report {

namespace {

namespace fs = std::filesystem;

/// A directory of our own beside the result, so that the last step is a rename. Removed with all it
/// holds.
class Workshop {
 public:
  static Result<Workshop> beside(const std::string& base) {
    const fs::path parent = fs::path(base).parent_path();
    std::string pattern = ((parent.empty() ? fs::path(".") : parent) / ".picture-XXXXXX").string();
    if (::mkdtemp(pattern.data()) == nullptr) {
      return Error{ErrorCode::storage_failed, "no picture can be written to " + parent.string() +
                                                  ": " + std::generic_category().message(errno)};
    }
    return Workshop(pattern);
  }
  explicit Workshop(std::string path) : path_(std::move(path)) {}
  Workshop(Workshop&& other) noexcept : path_(std::exchange(other.path_, "")) {}
  Workshop& operator=(Workshop&&) = delete;
  ~Workshop() {
    std::error_code ignored;
    if (!path_.empty()) {
      fs::remove_all(path_, ignored);
    }
  }
  [[nodiscard]] std::string file(const std::string& name) const { return path_ + "/" + name; }
  [[nodiscard]] const std::string& path() const { return path_; }

 private:
  std::string path_;
};

Result<void> write_text(const std::string& path, const std::string& text) {
  std::ofstream file(path, std::ios::binary);
  file << text;
  file.close();
  if (!file) {
    return Error{ErrorCode::storage_failed, path + " cannot be written; is the disk full?"};
  }
  return {};
}

Result<void> draw(const Workshop& workshop, const Sums& sums, Format format,
                  const std::string& name) {
  const std::string script = name + ".gnuplot";
  CREEL_TRY(write_text(workshop.file(script), figure_script(sums, format, name)));
  CREEL_TRY(run_gnuplot(workshop.path(), script));
  std::error_code unreadable;
  if (fs::file_size(workshop.file(name), unreadable) == 0 || unreadable) {
    return Error{ErrorCode::internal, "gnuplot drew nothing"};
  }
  return {};
}

Result<void> move_into_place(const std::string& from, const std::string& to) {
  std::error_code failed;
  fs::rename(from, to, failed);
  if (failed) {
    return Error{ErrorCode::storage_failed, to + " cannot be written: " + failed.message()};
  }
  return {};
}

}  // namespace

Result<Picture> draw_picture(session::Reader& reader, const std::string& base,
                             const Progress& progress) {
  auto sums = sum_session(reader, progress);
  if (!sums.ok()) {
    return sums.error();
  }
  auto workshop = Workshop::beside(base);
  if (!workshop.ok()) {
    return workshop.error();
  }
  Picture picture{base + ".svg", base + ".png", std::move(*sums)};
  CREEL_TRY(draw(*workshop, picture.sums, Format::svg, "figure.svg"));
  CREEL_TRY(draw(*workshop, picture.sums, Format::png, "figure.png"));
  CREEL_TRY(move_into_place(workshop->file("figure.svg"), picture.svg));
  CREEL_TRY(move_into_place(workshop->file("figure.png"), picture.png));
  return picture;
}

}  // namespace creel::report
