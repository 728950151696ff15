// Where the numbers come from: the session's documents say what each area had before; each record
// says the dose of its exposure and the ledger's total after it; the events "exposure_broken" and
// "charged" say the dose of exposures that have no frame or more than one; "resumed" says what the
// ledger held when the session was taken up again; "entered_by_hand" what a person entered, or,
// with the cause "neighbour", what the beam on the area beside it gave
// meanwhile; the summary what the ledger held at the end.
#include "protocol/session/doses.h"

#include <cmath>
#include <map>
#include <optional>
#include <utility>

#include "protocol/base/text.h"
#include "protocol/session/paths.h"

namespace creel::session {

namespace {

using nlohmann::json;
using Attempt = std::pair<std::uint64_t, std::uint64_t>;  // exposure, attempt: in order of time

constexpr std::uint16_t kNoArea = 0xFFFF;

const json& at(const json& object, const std::string& key) {
  static const json nothing;
  const auto found = object.is_object() ? object.find(key) : object.end();
  return object.is_object() && found != object.end() ? *found : nothing;
}

std::optional<double> dose_at(const json& object, const std::string& key) {
  const auto& value = at(object, key);
  return value.is_number() && std::isfinite(value.get<double>())
             ? std::optional(value.get<double>())
             : std::nullopt;
}

// Apart by more than adding up in another order explains.
bool differ(double a, double b) {
  return std::abs(a - b) > 1e-9 + 1e-6 * std::max(std::abs(a), std::abs(b));
}

std::string in_words(double dose) {
  return number(dose, 6) + " e/A^2";
}

struct Charge {
  std::uint16_t area = kNoArea;
  double dose = 0;
  double sigma = 0;
  std::string cause;
};

struct ByHand {
  Attempt before;  ///< counted before this attempt
  Charge charge;
};

// As `kind` of a record says (protocol/series ExposureKind).
std::string kind_name(std::uint8_t kind) {
  static constexpr const char* kNames[] = {"specimen", "dark", "gain", "zero_loss", "background"};
  return kind < std::size(kNames) ? kNames[kind] : "unknown kind";
}

/// From one start of the daemon to the next.
struct Life {
  std::uint64_t first_sequence = 0;
  json ledger;  ///< of each area in order, as the ledger said at this start; null: it did not
  std::map<Attempt, Charge> charges;
  std::vector<ByHand> by_hand;
  std::map<std::string, double> sigma_after_crash;  ///< by name of the area
  /// Of what people had entered by then, all sessions; in `ledger`, or in the event "started".
  json by_hand_before;
};

struct Taken {
  Charge charge;
  std::uint64_t frames = 0;
  bool broken = false;
  bool streamed = false;  ///< one of many frames, though a crash may have left just one
  double area_dose = 0;   ///< as its last record says
};

std::vector<Life> lives_of(const EventLog* log) {
  std::vector<Life> lives(1);
  if (log == nullptr) {
    return lives;
  }
  for (const auto& event : log->events) {
    const auto& what = at(event, "event");
    const auto& next = at(event, "next_sequence");
    const auto& exposure = at(event, "exposure");
    const auto& attempt = at(event, "attempt");
    const auto& area = at(event, "area");
    const auto dose = dose_at(event, "dose_e_per_a2");
    if (what == json("resumed") && next.is_number_unsigned() && at(event, "areas").is_array() &&
        next.get<std::uint64_t>() >= lives.back().first_sequence) {
      lives.push_back({next.get<std::uint64_t>(), event["areas"], {}, {}, {}, event["areas"]});
      for (const json& one : at(event, "charged_after_crash")) {
        if (const auto& name = at(one, "area"); name.is_string()) {
          lives.back().sigma_after_crash[name.get<std::string>()] =
              dose_at(one, "sigma_e_per_a2").value_or(0);
        }
      }
    } else if (what == json("started") && lives.size() == 1 && at(event, "areas").is_array()) {
      lives.front().by_hand_before = event["areas"];
    } else if ((what == json("exposure_broken") || what == json("charged") ||
                what == json("entered_by_hand")) &&
               dose && exposure.is_number_unsigned() && attempt.is_number_unsigned() &&
               area.is_number_unsigned() && area.get<std::uint64_t>() < kNoArea) {
      const Attempt which{exposure.get<std::uint64_t>(), attempt.get<std::uint64_t>()};
      const auto& cause = at(event, "cause");
      Charge charge{static_cast<std::uint16_t>(area.get<std::uint64_t>()), *dose,
                    dose_at(event, "sigma_e_per_a2").value_or(0),
                    cause.is_string() ? cause.get<std::string>() : "broken"};
      if (what == json("entered_by_hand")) {
        lives.back().by_hand.push_back({which, std::move(charge)});
      } else {
        lives.back().charges[which] = std::move(charge);
      }
    }
  }
  return lives;
}

class Sums {
 public:
  Sums(const Reader& reader, const std::function<void(Finding)>& add) : reader_(reader), add_(add) {
    const auto series = json::parse(reader.documents().series_text, nullptr, false);
    for (const auto& area : at(series, "areas")) {
      const auto& grid = at(area, "grid");
      const auto& name = at(area, "name");
      names_.push_back(grid.is_string() && name.is_string()
                           ? grid.get<std::string>() + "/" + name.get<std::string>()
                           : "");
    }
  }

  std::vector<AreaDose> of(const EventLog* log) {
    const auto lives = lives_of(log);
    const auto records = reader_.records();
    std::size_t next = 0;
    for (std::size_t life = 0; life < lives.size(); ++life) {
      const auto end = life + 1 < lives.size() ? lives[life + 1].first_sequence : ~0ULL;
      ledger_said(lives[life]);
      know_by_hand(lives[life]);
      auto taken = charged_without_frames(lives[life]);
      for (; next < records.size() && records[next].sequence < end; ++next) {
        take(records[next], lives[life], taken);
      }
      add_up(taken, lives[life].by_hand);
    }
    if (reader_.folded()) {
      summary();
    }
    std::vector<AreaDose> all;
    for (auto& [index, sum] : sums_) {
      if (sum.shown.exposures > 0 || sum.shown.lost > 0 || !sum.shown.causes.empty()) {
        sum.shown.total = sum.total;
        all.push_back(sum.shown);
      }
    }
    return all;
  }

 private:
  struct Sum {
    AreaDose shown;
    double series = 0;              ///< given by this session so far, as far as it is known
    double total = 0;               ///< of the area
    std::optional<double> by_hand;  ///< what people had entered by now, as far as it was told
    double by_hand_variance = 0;
  };

  Sum& sum(std::uint16_t area) {
    const auto [found, fresh] = sums_.try_emplace(area);
    auto& one = found->second;
    if (fresh) {
      const auto& before = reader_.documents().area_dose_before;
      one.shown.area = area;
      one.shown.name = area < names_.size() ? names_[area] : "";
      one.shown.before = area < before.size() ? before[area] : 0;
      one.total = one.shown.before;
    }
    return one;
  }

  static void count(Sum& area, const std::string& cause, double dose, double sigma,
                    std::uint64_t exposures) {
    auto& causes = area.shown.causes;
    auto found = std::find_if(causes.begin(), causes.end(),
                              [&](const CauseDose& one) { return one.cause == cause; });
    if (found == causes.end()) {
      found = causes.insert(causes.end(), CauseDose{cause, 0, 0, 0});
    }
    found->dose += dose;
    // Each entry by hand is an estimate of its own; all else rests on one dose-rate measurement.
    found->sigma = cause == "by_hand" ? std::hypot(found->sigma, sigma) : found->sigma + sigma;
    found->exposures += exposures;
  }

  void say(Severity severity, const std::string& place, const Sum& area, std::string sentence) {
    const auto name = area.shown.name.empty() ? std::to_string(area.shown.area) : area.shown.name;
    add_({severity, place, "area " + name + ": " + std::move(sentence)});
  }

  void ledger_said(const Life& life) {
    const std::string place =
        "start of the daemon before frame " + std::to_string(life.first_sequence);
    for (std::size_t i = 0;
         life.ledger.is_array() && i < std::min<std::size_t>(life.ledger.size(), kNoArea); ++i) {
      const auto series = dose_at(life.ledger[i], "series_e_per_a2");
      const auto total = dose_at(life.ledger[i], "area_e_per_a2");
      if (!series || !total) {
        continue;
      }
      auto& one = sum(static_cast<std::uint16_t>(i));
      const double lost = *series - one.series;
      if (differ(*series, one.series) && lost > 0) {
        one.shown.lost += lost;
        const auto sigma = life.sigma_after_crash.find(one.shown.name);
        count(one, "after_crash", lost,
              sigma == life.sigma_after_crash.end() ? lost / std::sqrt(12.0) : sigma->second, 0);
        say(Severity::note, place, one,
            in_words(lost) +
                " were charged for exposures whose frames were lost when the daemon ended");
      } else if (differ(*series, one.series)) {
        say(Severity::warning, place, one,
            "the ledger had " + in_words(-lost) +
                " less than the frames and events before account for");
      }
      double others = *total - one.total - lost;
      others -= entered_between(life.ledger[i], one, place);
      if (differ(*total, *total - others)) {
        count(one, "meanwhile", others, 0, 0);
        say(Severity::note, place, one,
            in_words(others) + (one.by_hand ? " were given by other sessions meanwhile"
                                            : " were entered by hand or given by other sessions "
                                              "meanwhile"));
      }
      one.series = *series;
      one.total = *total;
    }
  }

  /// What people entered between two lives of the daemon, which no event of its own tells: counted,
  /// with its error. 0 where the session does not say what they had entered before.
  double entered_between(const json& ledger, Sum& one, const std::string& place) {
    const auto by_hand = dose_at(ledger, "by_hand_e_per_a2");
    const auto sigma = dose_at(ledger, "by_hand_sigma_e_per_a2");
    if (!by_hand || !one.by_hand || !differ(*by_hand, *one.by_hand)) {
      return 0;
    }
    const double entered = *by_hand - *one.by_hand;
    const double variance = sigma.value_or(0) * sigma.value_or(0) - one.by_hand_variance;
    count(one, "by_hand", entered, std::sqrt(std::max(0.0, variance)), 0);
    say(Severity::note, place, one, in_words(entered) + " were entered by hand meanwhile");
    return entered;
  }

  void know_by_hand(const Life& life) {
    for (std::size_t i = 0; life.by_hand_before.is_array() &&
                            i < std::min<std::size_t>(life.by_hand_before.size(), kNoArea);
         ++i) {
      const auto by_hand = dose_at(life.by_hand_before[i], "by_hand_e_per_a2");
      const auto sigma = dose_at(life.by_hand_before[i], "by_hand_sigma_e_per_a2");
      if (by_hand && sigma) {
        Sum& one = sum(static_cast<std::uint16_t>(i));
        one.by_hand = *by_hand;
        one.by_hand_variance = *sigma * *sigma;
      }
    }
  }

  static std::map<Attempt, Taken> charged_without_frames(const Life& life) {
    std::map<Attempt, Taken> taken;
    for (const auto& [attempt, charge] : life.charges) {
      taken[attempt].charge = charge;
    }
    return taken;
  }

  void take(const Record& record, const Life& life, std::map<Attempt, Taken>& taken) {
    if (record.area == kNoArea) {
      return;
    }
    if (!std::isfinite(record.dose) || !std::isfinite(record.area_dose)) {
      add_(
          {Severity::warning, "frame " + std::to_string(record.sequence), "its dose is no number"});
      return;
    }
    const Attempt attempt{record.exposure, record.attempt};
    auto& one = taken[attempt];
    one.frames += 1;
    one.area_dose = record.area_dose;
    one.broken = one.broken || (record.flags & kBroken) != 0;
    one.streamed = one.streamed || (record.flags & kMoreToCome) != 0 || record.device_index > 0;
    if (!life.charges.contains(attempt)) {
      one.charge = {record.area, record.dose, record.dose_errors, ""};
    }
    one.charge.cause = one.broken ? "broken" : kind_name(record.kind);
  }

  void add_by_hand(const ByHand& entry) {
    auto& area = sum(entry.charge.area);
    area.total += entry.charge.dose;
    if (area.by_hand) {
      *area.by_hand += entry.charge.dose;
      area.by_hand_variance += entry.charge.sigma * entry.charge.sigma;
    }
    const bool tail = entry.charge.cause == "neighbour";  // of the beam, charged by the daemon
    count(area, tail ? "neighbour" : "by_hand", entry.charge.dose, entry.charge.sigma, 0);
  }

  void add_up(const std::map<Attempt, Taken>& taken, const std::vector<ByHand>& by_hand) {
    auto next = by_hand.begin();
    for (const auto& [attempt, one] : taken) {
      for (; next != by_hand.end() && next->before <= attempt; ++next) {
        add_by_hand(*next);
      }
      auto& area = sum(one.charge.area);
      area.series += one.charge.dose;
      area.total += one.charge.dose;
      area.shown.exposures += one.frames > 0 && one.charge.dose > 0 ? 1 : 0;
      (one.frames > 0 ? area.shown.dose : area.shown.lost) += one.charge.dose;
      if (one.charge.dose > 0) {
        const bool exposed = one.charge.cause != "residual";
        count(area, one.charge.cause, one.charge.dose, one.charge.sigma, exposed ? 1 : 0);
      }
      // Within an exposure of many frames the total of each is what was planned up to it.
      if (one.frames != 1 || one.streamed) {
        continue;
      }
      if (differ(one.area_dose, area.total)) {
        const double more = one.area_dose - area.total;
        say(more > 0 ? Severity::note : Severity::warning,
            "exposure " + std::to_string(attempt.first) + ", attempt " +
                std::to_string(attempt.second),
            area,
            "the ledger had " + in_words(std::abs(more)) + (more > 0 ? " more" : " less") +
                " than the frames and events up to it account for" +
                (more > 0
                     ? ": exposures whose frames were lost; which, cannot be told from the session"
                     : ""));
      }
      area.total = one.area_dose;
    }
    std::for_each(next, by_hand.end(), [this](const ByHand& entry) { add_by_hand(entry); });
  }

  void summary() {
    const auto& dose = at(reader_.documents().summary, "dose");
    for (std::size_t i = 0; i < names_.size() && i < kNoArea; ++i) {
      auto& area = sum(static_cast<std::uint16_t>(i));
      const auto& said = at(dose, names_[i]);
      const auto series = dose_at(said, "series_e_per_a2");
      const auto records = dose_at(said, "records_e_per_a2");
      if (series) {
        area.shown.told_to_the_end = true;
        if (differ(*series, area.series)) {
          say(Severity::warning, kPathSummary, area,
              "it says that the session gave " + in_words(*series) +
                  "; its frames and events account for " + in_words(area.series));
        }
      } else if (records && differ(*records, area.shown.dose)) {
        say(Severity::warning, kPathSummary, area,
            "it says that the frames have " + in_words(*records) + "; they have " +
                in_words(area.shown.dose));
      }
      if (!series) {
        say(Severity::note, kPathSummary, area,
            "what the ledger held at the end cannot be told from the session; 'creel ledger' "
            "tells");
      }
    }
  }

  const Reader& reader_;
  const std::function<void(Finding)>& add_;
  std::vector<std::string> names_;
  std::map<std::uint16_t, Sum> sums_;
};

}  // namespace

std::vector<AreaDose> check_doses(const Reader& reader, const EventLog* log,
                                  const std::function<void(Finding)>& add) {
  return Sums(reader, add).of(log);
}

}  // namespace creel::session
