// What a command comes to: an exit code, text for a person, one JSON object for a program.
#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "protocol/base/result.h"

namespace creel::cli {

/// The exit codes of creel, documented in its --help and in README.md. Never renumbered.
enum class Exit : int {
  done = 0,          ///< it was done, or the answer is yes
  no = 1,            ///< it was done, and the answer is no: faults found, series not completed
  wrong = 2,         ///< the command, the series, the rig or a path is wrong; nothing was changed
  no_daemon = 3,     ///< creeld cannot be reached, or went away
  refused = 4,       ///< right, but not in this state
  trouble = 5,       ///< a device, the disk or creeld itself is in trouble; look
  interrupted = 130  ///< ended by Ctrl-C; what runs in creeld goes on
};

/// Said wherever shutters appear.
constexpr const char* kNotAnInterlock =
    "Software shutter control is not a personnel-safety interlock (IEC 60825-1, ANSI Z136.1, local "
    "rules).";

struct Answer {
  Exit exit = Exit::done;
  nlohmann::json object = nlohmann::json::object();  ///< for --json, without "ok"
  std::string text;     ///< for stdout, without the last line feed; "" = nothing to say
  std::string trouble;  ///< for stderr: what happened, what is safe, what to do next; "" = none
};

/// The exit code that goes with an error.
Exit exit_of(ErrorCode code);

/// An answer from an error: `what` is the command as typed ("hold"). The trouble has three parts:
/// what happened, what is safe, what to do next.
Answer failure(const std::string& what, Exit exit, const Error& error);
/// The same with the two sentences given.
Answer failure(const std::string& what, Exit exit, const Error& error, const std::string& safe,
               const std::string& next);

/// Prints the answer (text to stdout, trouble to stderr; with `json` one object to stdout as well
/// as the trouble to stderr) and gives the process' exit code.
int print(const Answer& answer, bool json);

/// Makes every line of `text` begin with `prefix`.
std::string indented(const std::string& text, const std::string& prefix);
/// Rows of cells as columns of equal width, two spaces apart; no spaces at line ends. UTF-8 counted
/// by characters.
std::string table(const std::vector<std::vector<std::string>>& rows);

/// Members of JSON from creeld, tolerant: a missing or mistyped one gives the default.
std::string text_of(const nlohmann::json& object, const char* name,
                    const std::string& otherwise = "");
double number_of(const nlohmann::json& object, const char* name, double otherwise = 0);
bool flag_of(const nlohmann::json& object, const char* name, bool otherwise = false);
nlohmann::json member_of(const nlohmann::json& object, const char* name);
/// An empty array or object when the member is none.
nlohmann::json list_of(const nlohmann::json& object, const char* name);
nlohmann::json object_of(const nlohmann::json& object, const char* name);

}  // namespace creel::cli
