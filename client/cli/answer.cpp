#include "client/cli/answer.h"

#include <algorithm>
#include <cstdio>

#include "protocol/base/text.h"

namespace creel::cli {

using nlohmann::json;

namespace {

struct Advice {
  const char* safe;
  const char* next;
};

Advice advice(Exit exit) {
  switch (exit) {
    case Exit::wrong:
      return {"nothing was changed, opened or moved.",
              "correct what is named above and try again."};
    case Exit::no_daemon:
      return {
          "frames that were counted as safe are on disk ('creel verify PATH' works without "
          "creeld); if creeld "
          "died, the hosts of its devices close their shutters by themselves, within the open "
          "lease.",
          "look at the instrument before you rely on a closed shutter; then start creeld, or give "
          "its "
          "socket with --socket or CREEL_SOCKET."};
    case Exit::refused:
      return {"nothing was changed.", "see 'creel status' for what runs now."};
    case Exit::trouble:
      return {"frames that were counted as safe are on disk.",
              "look at 'creel status' and 'creel devices'; if a shutter may be open: 'creel "
              "close-all', and look at "
              "the instrument."};
    case Exit::interrupted:
      return {"what runs in creeld goes on.",
              "'creel follow' watches again, 'creel stop' ends the series."};
    case Exit::done:
    case Exit::no:
      break;
  }
  return {"nothing was changed.", "see 'creel status'."};
}

/// Printed characters: bytes that do not continue a UTF-8 character.
std::size_t width(const std::string& text) {
  return static_cast<std::size_t>(std::count_if(text.begin(), text.end(), [](char c) {
    return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U;
  }));
}

}  // namespace

Exit exit_of(ErrorCode code) {
  switch (code) {
    case ErrorCode::invalid_request:
      return Exit::wrong;
    case ErrorCode::refused:
      return Exit::refused;
    case ErrorCode::cancelled:
      return Exit::interrupted;
    case ErrorCode::timed_out:
    case ErrorCode::device_lost:
    case ErrorCode::storage_failed:
    case ErrorCode::corrupt:
    case ErrorCode::internal:
      return Exit::trouble;
  }
  return Exit::trouble;
}

Answer failure(const std::string& what, Exit exit, const Error& error) {
  const Advice words = advice(exit);
  return failure(what, exit, error, words.safe, words.next);
}

Answer failure(const std::string& what, Exit exit, const Error& error, const std::string& safe,
               const std::string& next) {
  Answer answer;
  answer.exit = exit;
  answer.object["error"] = {
      {"code", error_name(error.code)}, {"text", error.text}, {"safe", safe}, {"next", next}};
  const bool many = error.text.find('\n') != std::string::npos;
  answer.trouble = "creel" + (what.empty() ? "" : " " + what) + ":" +
                   (many ? "\n" + indented(error.text, "  ") : " " + error.text) +
                   "\n  safe: " + safe + "\n  next: " + next;
  return answer;
}

int print(const Answer& answer, bool as_json) {
  if (!answer.trouble.empty()) {
    std::fprintf(stderr, "%s\n", answer.trouble.c_str());
  }
  if (as_json) {
    json object = answer.object.is_object() ? answer.object : json{{"answer", answer.object}};
    object["ok"] = answer.exit == Exit::done;
    object["exit"] = static_cast<int>(answer.exit);
    std::fprintf(stdout, "%s\n",
                 object.dump(-1, ' ', false, json::error_handler_t::replace).c_str());
  } else if (!answer.text.empty()) {
    std::fprintf(stdout, "%s\n", answer.text.c_str());
  }
  if (std::fflush(stdout) != 0) {
    std::fprintf(stderr, "creel: the answer could not be written to standard output\n");
    return static_cast<int>(Exit::trouble);
  }
  return static_cast<int>(answer.exit);
}

std::string indented(const std::string& text, const std::string& prefix) {
  std::string result = prefix;
  for (const char c : text) {
    result += c;
    if (c == '\n') {
      result += prefix;
    }
  }
  return result;
}

std::string table(const std::vector<std::vector<std::string>>& rows) {
  std::vector<std::size_t> widths;
  for (const auto& row : rows) {
    widths.resize(std::max(widths.size(), row.size()));
    for (std::size_t i = 0; i < row.size(); ++i) {
      widths[i] = std::max(widths[i], width(row[i]));
    }
  }
  std::string text;
  for (const auto& row : rows) {
    std::string line;
    for (std::size_t i = 0; i < row.size(); ++i) {
      line += row[i] + std::string(widths[i] - width(row[i]) + 2, ' ');
    }
    line.erase(line.find_last_not_of(' ') + 1);
    text += (text.empty() ? "" : "\n") + line;
  }
  return text;
}

json member_of(const json& object, const char* name) {
  return object.is_object() && object.contains(name) ? object[name] : json();
}

json list_of(const json& object, const char* name) {
  const json member = member_of(object, name);
  return member.is_array() ? member : json::array();
}

json object_of(const json& object, const char* name) {
  const json member = member_of(object, name);
  return member.is_object() ? member : json::object();
}

std::string text_of(const json& object, const char* name, const std::string& otherwise) {
  const json member = member_of(object, name);
  return member.is_string() ? member.get<std::string>() : otherwise;
}

double number_of(const json& object, const char* name, double otherwise) {
  const json member = member_of(object, name);
  return member.is_number() ? member.get<double>() : otherwise;
}

bool flag_of(const json& object, const char* name, bool otherwise) {
  const json member = member_of(object, name);
  return member.is_boolean() ? member.get<bool>() : otherwise;
}

}  // namespace creel::cli
