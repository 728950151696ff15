#include "protocol/session/layout.h"

#include <array>
#include <cstdio>
#include <cstring>
#include <span>

#include "protocol/base/crc32c.h"

namespace creel::session {

namespace {

std::uint32_t crc_of(Record record) {
  record.record_crc = 0;
  return crc32c(std::as_bytes(std::span(&record, 1)));
}

}  // namespace

std::string piece_name(std::uint64_t k) {
  return "piece-" + std::to_string(k) + ".h5";
}

std::string nexus_name(std::string_view name) {
  std::string allowed(name.substr(0, 63));
  for (auto& c : allowed) {
    const bool good = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9');
    c = good || c == '_' || c == '.' ? c : '_';
  }
  if (allowed.empty()) {
    return "_";
  }
  // A name neither begins nor ends with a dot.
  allowed.front() = allowed.front() == '.' ? '_' : allowed.front();
  allowed.back() = allowed.back() == '.' ? '_' : allowed.back();
  return allowed;
}

void seal(Record& record) {
  record.magic = Record::kMagic;
  record.record_crc = crc_of(record);
}

bool sealed(const Record& record) {
  return record.magic == Record::kMagic && record.record_crc == crc_of(record);
}

std::string event_line(const std::string& json_text) {
  std::array<char, 16> crc{};
  std::snprintf(crc.data(), crc.size(), "%08x ", crc32c(std::as_bytes(std::span(json_text))));
  return crc.data() + json_text + '\n';
}

}  // namespace creel::session
