// creel-reveal: for training. Prints what was true in a session recorded on a simulated rig, so
// that an answer can be compared with it. A program of its own: creel, creeld and the evaluation
// cannot look it up.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <string>

#include "drivers/simulated/reveal/reveal.h"
#include "protocol/session/reader.h"

namespace {

/// Exit codes as those of creel: 0 done, 2 wrong path or file, 4 refused (a real rig).
int fail(const creel::Error& error, bool json) {
  const int code = error.code == creel::ErrorCode::refused ? 4 : 2;
  if (json) {
    const nlohmann::json answer = {{"ok", false},
                                   {"exit", code},
                                   {"error", creel::error_name(error.code)},
                                   {"message", error.text}};
    std::printf("%s\n", answer.dump().c_str());
  }
  std::fprintf(stderr, "creel-reveal: %s\n", error.text.c_str());
  return code;
}

}  // namespace

int main(int argc, char** argv) {
  std::string path;
  bool json = false;
  CLI::App app(
      "creel-reveal - for training: what was true in a session recorded on a simulated rig.\n"
      "Fe(III)/total Fe at zero dose, critical dose and thickness of each area of the series.",
      "creel-reveal");
  app.add_option("SESSION", path, "a session: its folder or its .h5 file")->required();
  app.add_flag("--json", json, "one JSON object on standard output");
  app.footer(
      "Exit codes: 0 done; 2 wrong path or file; 4 the frames did not come from a simulated "
      "detector.");
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& error) {
    return app.exit(error) == 0 ? 0 : 2;
  }
  const auto source = creel::session::native_source();
  const auto reader = creel::session::Reader::open(*source, path);
  if (!reader) {
    return fail(reader.error(), json);
  }
  const creel::session::Documents& documents = (*reader)->documents();
  const auto revealed = creel::simulated::reveal(documents.rig_text, documents.series_text);
  if (!revealed) {
    return fail(revealed.error().during(documents.name), json);
  }
  if (json) {
    nlohmann::json answer = creel::simulated::json_of(*revealed);
    answer["ok"] = true;
    answer["session"] = documents.name;
    std::printf("%s\n", answer.dump().c_str());
  } else {
    std::printf("%s", creel::simulated::text_of(*revealed).c_str());
  }
  return 0;
}
