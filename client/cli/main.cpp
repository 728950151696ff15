// creel: the command line of Creel. What each command does is in its --help, which tests/tidy
// compares with README.md.

#include <unistd.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <string>

#include "client/cli/options.h"

namespace {

using namespace creel::cli;

constexpr const char* kAbout =
    "creel - runs and watches exposure series on the rig that creeld drives.\n"
    "\n"
    "A night in six commands:\n"
    "  creel budget ink-film.series.json     can this dose answer the question?\n"
    "  creel check ink-film.series.json      is it right, how long, how much dose? opens nothing\n"
    "  creel start ink-film.series.json      run it; each exposure is charged to its area's "
    "ledger\n"
    "  creel follow                          watch it; Ctrl-C ends the watching, not the series\n"
    "  creel verify SESSION                  every frame against its checksum\n"
    "  creel evaluate SESSION --out answer   the oxidation state, with its error bar and a report\n"
    "If anything looks wrong: creel close-all, then look at the instrument.\n";

constexpr const char* kFooter =
    "Exit codes: 0 done, or the answer is yes; 1 the answer is no (damage found, series not "
    "completed);\n"
    "2 wrong command, file or rig, nothing was changed; 3 creeld cannot be reached; 4 refused in "
    "this state;\n"
    "5 a device, the disk or creeld is in trouble; 130 interrupted, what runs goes on.\n"
    "--json and --socket may stand after any command. With --json standard output carries one JSON "
    "object with\n"
    "\"ok\" and \"exit\" (while following: one event a line, the answer last).\n"
    "Software shutter control is not a personnel-safety interlock (IEC 60825-1, ANSI Z136.1, local "
    "rules).";

int wrong_use(const CLI::App& app, const CLI::ParseError& error, bool json) {
  const auto used = app.get_subcommands();
  const std::string what = used.empty() ? "" : used.front()->get_name();
  const std::string help = what.empty() ? "creel --help" : "creel " + what + " --help";
  return print(failure(what, Exit::wrong, {creel::ErrorCode::invalid_request, error.what()},
                       "nothing was changed, opened or moved.", "see '" + help + "'."),
               json);
}

}  // namespace

int main(int argc, char** argv) {
  Arguments given;
  Command chosen;
  given.common.progress = ::isatty(STDERR_FILENO) == 1;
  const bool json_asked = std::find(argv, argv + argc, std::string("--json")) != argv + argc;

  CLI::App app{kAbout, "creel"};
  app.footer(kFooter);
  app.fallthrough();
  app.require_subcommand(1);
  app.set_version_flag("--version", "creel " CREEL_VERSION);
  app.add_flag("--json", given.common.json, "answer with one JSON object on standard output");
  app.add_option("--socket", given.common.socket,
                 "creeld's socket (default: $CREEL_SOCKET, or the usual per-user place)");
  add_series_commands(app, given, chosen);
  add_evaluating_commands(app, given, chosen);
  add_setting_up_commands(app, given, chosen);
  try {
    app.parse(argc, argv);
  } catch (const CLI::Success& help_or_version) {
    return app.exit(help_or_version);
  } catch (const CLI::ParseError& error) {
    return wrong_use(app, error, json_asked);
  }
  return print(chosen(), given.common.json);
}
