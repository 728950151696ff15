#include "client/report/drawing.h"

#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <system_error>
#include <utility>

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
    std::string pattern = ((parent.empty() ? fs::path(".") : parent) / ".drawing-XXXXXX").string();
    if (::mkdtemp(pattern.data()) == nullptr) {
      return Error{ErrorCode::storage_failed, "nothing can be written to " + parent.string() +
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

Result<void> draw(const Workshop& workshop, const Script& text, Format format,
                  const std::string& name) {
  const std::string script = name + ".gnuplot";
  CREEL_TRY(write_text(workshop.file(script), text(format, name)));
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

Result<void> draw_files(const std::string& base, const Script& script) {
  auto workshop = Workshop::beside(base);
  if (!workshop.ok()) {
    return workshop.error();
  }
  CREEL_TRY(draw(*workshop, script, Format::svg, "figure.svg"));
  CREEL_TRY(draw(*workshop, script, Format::png, "figure.png"));
  CREEL_TRY(move_into_place(workshop->file("figure.svg"), base + ".svg"));
  return move_into_place(workshop->file("figure.png"), base + ".png");
}

Result<void> write_whole(const std::string& path, const std::string& text) {
  auto workshop = Workshop::beside(path);
  if (!workshop.ok()) {
    return workshop.error();
  }
  CREEL_TRY(write_text(workshop->file("text"), text));
  return move_into_place(workshop->file("text"), path);
}

std::string exact(double value) {
  char text[40];
  std::snprintf(text, sizeof text, "%.10g", value);
  return std::isfinite(value) ? text : "NaN";
}

std::string literal(std::string_view text, std::size_t most) {
  std::string quoted = "'";
  std::size_t characters = 0;
  for (const char c : text) {
    const auto byte = static_cast<unsigned char>(c);
    const bool begins = (byte & 0xC0U) != 0x80U;
    if (begins && ++characters > most) {
      quoted += "…";
      break;
    }
    if (byte < 0x20 || byte == 0x7F) {
      quoted += ' ';
    } else if (c == '\'') {
      quoted += "’";  // gnuplot 5.4 does not read a doubled quote at the start of a string
    } else {
      quoted += c;
    }
  }
  return quoted + "'";
}

std::string figure_setup(Format format, std::string_view output, int height) {
  std::string text =
      format == Format::svg
          ? "set terminal svg size 960," + std::to_string(height) +
                " font 'DejaVu Sans,12' background '#ffffff'\n"
          : "set terminal pngcairo size 1440," + std::to_string(height * 3 / 2) +
                " font 'DejaVu Sans,12' fontscale 1.5 linewidth 1.5 background '#ffffff'\n";
  text += "set encoding utf8\nset output '" + std::string(output) + "'\n";
  text += "set border 3 lc rgb '" + std::string(kGrey) +
          "'\nset tics nomirror out font ',10'\nset xlabel font ',11'\nset ylabel font ',11'\n";
  text += "set grid lc rgb '#e3e3e0' lw 0.6\nset lmargin 13\nset rmargin 4\n";
  return text;
}

}  // namespace creel::report
