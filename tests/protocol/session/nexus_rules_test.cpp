// Each rule of the NeXus manual (https://manual.nexusformat.org) broken once, and found. The
// manual's pages: "Naming conventions", "NXdata", "NeXus dates and times", "Links", "Default plot".
#include "protocol/session/nexus_rules.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <unistd.h>

#include <array>
#include <string>

namespace creel::session {
namespace {

using testing::Contains;
using testing::Each;
using testing::ElementsAre;
using testing::Field;
using testing::HasSubstr;
using testing::IsEmpty;

// A file in memory only.
H5::H5File in_memory() {
  H5::FileAccPropList properties;
  properties.setCore(1U << 16, false);
  return {"nexus-rules-" + std::to_string(::getpid()) + ".h5", H5F_ACC_TRUNC,
          H5::FileCreatPropList::DEFAULT, properties};
}

void say(const H5::H5Object& object, const std::string& name, const std::string& text) {
  if (object.attrExists(name)) {
    object.removeAttr(name);
  }
  const H5::StrType type(H5::PredType::C_S1, std::max<std::size_t>(1, text.size()));
  object.createAttribute(name, type, H5::DataSpace(H5S_SCALAR)).write(type, text);
}

void say_list(const H5::H5Object& object, const std::string& name,
              const std::vector<std::string>& texts) {
  if (object.attrExists(name)) {
    object.removeAttr(name);
  }
  constexpr std::size_t kWidth = 16;
  std::string bytes;
  for (auto text : texts) {
    text.resize(kWidth, '\0');
    bytes += text;
  }
  const H5::StrType type(H5::PredType::C_S1, kWidth);
  const hsize_t count = texts.size();
  object.createAttribute(name, type, H5::DataSpace(1, &count)).write(type, bytes.data());
}

void say_number(const H5::H5Object& object, const std::string& name, std::uint32_t value) {
  if (object.attrExists(name)) {
    object.removeAttr(name);
  }
  object.createAttribute(name, H5::PredType::STD_U32LE, H5::DataSpace(H5S_SCALAR))
      .write(H5::PredType::NATIVE_UINT32, &value);
}

H5::Group add(const H5::Group& parent, const std::string& name, const std::string& nx_class) {
  auto group = parent.createGroup(name);
  say(group, "NX_class", nx_class);
  return group;
}

H5::DataSet numbers(const H5::Group& group, const std::string& name,
                    const std::vector<hsize_t>& extent) {
  const auto set =
      group.createDataSet(name, H5::PredType::IEEE_F64LE,
                          H5::DataSpace(static_cast<int>(extent.size()), extent.data()));
  say(set, "units", "eV");
  return set;
}

void text_field(const H5::Group& group, const std::string& name, const std::string& text) {
  const H5::StrType type(H5::PredType::C_S1, text.size());
  group.createDataSet(name, type, H5::DataSpace(H5S_SCALAR)).write(text, type);
}

class NexusRules : public testing::Test {
 protected:
  NexusRules()
      : file_(in_memory()), root_(file_.openGroup("/")), entry_(root_.createGroup("entry")) {
    say(root_, "NX_class", "NXroot");
    say(root_, "default", "entry");
    say(root_, "file_time", "2026-03-14T21:30:00.250+01:00");
    say(entry_, "NX_class", "NXentry");
    say(entry_, "default", "ink");
    text_field(entry_, "start_time", "2026-03-14T20:30:00Z");
    data_ = add(entry_, "ink", "NXdata");
    signal_ = numbers(data_, "intensity", {5, 8});
    say(data_, "signal", "intensity");
    say_list(data_, "axes", {".", "energy"});
    numbers(data_, "energy", {9});  // edges of the channels: one more than there are
    say_number(data_, "energy_indices", 1);
    file_.link(H5L_TYPE_HARD, "/entry/ink/intensity", "/entry/also");
    say(signal_, "target", "/entry/ink/intensity");
  }

  [[nodiscard]] std::vector<RuleFault> faults() const { return broken_nexus_rules(file_); }

  void expect(const std::string& place, const std::string& sentence) const {
    const auto found = faults();
    ASSERT_EQ(found.size(), 1U) << (found.empty() ? "nothing" : found[0].place + found[0].sentence);
    EXPECT_EQ(found[0].place, place);
    EXPECT_THAT(found[0].sentence, HasSubstr(sentence));
  }

  H5::H5File file_;
  H5::Group root_, entry_, data_;
  H5::DataSet signal_;
};

TEST_F(NexusRules, FindsNothingWhereNothingIsWrong) {
  EXPECT_THAT(faults(), IsEmpty()) << faults()[0].place << faults()[0].sentence;
}

TEST_F(NexusRules, EveryGroupSaysItsClass) {
  entry_.createGroup("bare");
  expect("/entry/bare", "NX_class");
}

TEST_F(NexusRules, TheRootIsAnNXroot) {
  say(root_, "NX_class", "NXentry");
  expect("/", "NXroot");
}

TEST_F(NexusRules, NumbersHaveUnits) {
  numbers(entry_, "thickness", {1}).removeAttr("units");
  expect("/entry/thickness", "units");
}

TEST_F(NexusRules, NamesAreThoseThatTheManualAllows) {
  add(entry_, "ink film", "NXcollection");
  expect("/entry/ink film", "no name");
  for (const char* good : {"a", "0", "_x", "ink.film_7", "A9"}) {
    EXPECT_TRUE(is_nexus_name(good)) << good;
  }
  for (const std::string& bad :
       {std::string(), std::string(".a"), std::string("a."), std::string("a-b"),
        std::string("\xC3\xA4"), std::string(64, 'a'), std::string("a\0b", 3)}) {
    EXPECT_FALSE(is_nexus_name(bad)) << bad;
  }
  EXPECT_TRUE(is_nexus_name(std::string(63, 'a')));
}

TEST_F(NexusRules, DatesHaveATimeAndAZone) {
  text_field(entry_, "end_time", "2026-03-14T23:30:00");
  expect("/entry/end_time", "ISO 8601");
}

TEST_F(NexusRules, TheStartOfTimesIsADate) {
  const auto times = numbers(entry_, "times", {3});
  say(times, "start", "yesterday");
  expect("/entry/times@start", "ISO 8601");
}

// Examples and counter-examples of ISO 8601 extended format with zone, and of the calendar.
TEST(NexusDates, AreIso8601WithZone) {
  for (const char* good : {"2026-11-25T03:10:07Z", "2026-11-25T03:10:07.250Z",
                           "2026-11-25T03:10:07+01:00", "2024-02-29T23:59:60-11:30"}) {
    EXPECT_TRUE(is_date_time(good)) << good;
  }
  for (const char* bad :
       {"", "2026-11-25", "2026-11-25T03:10:07", "2026-11-25 03:10:07Z", "2026-13-25T03:10:07Z",
        "2026-02-29T03:10:07Z", "2026-11-31T03:10:07Z", "2026-11-25T24:10:07Z",
        "2026-11-25T03:60:07Z", "2026-11-25T03:10:61Z", "2026-11-25T03:10:07+0100",
        "2026-11-25T03:10:07+25:00", "2026-11-25T03:10:07.Z", "2026-11-25T03:10:07ZZ"}) {
    EXPECT_FALSE(is_date_time(bad)) << bad;
  }
  EXPECT_FALSE(is_date_time(std::string(1 << 20, '2')));
}

TEST_F(NexusRules, ACollectionIsFreeButForNamesClassesAndUnits) {
  const auto notes = add(entry_, "notes", "NXcollection");
  text_field(notes, "date", "a Tuesday");
  add(notes, "plot", "NXdata");
  EXPECT_THAT(faults(), IsEmpty());
  numbers(notes, "bare", {1}).removeAttr("units");
  expect("/entry/notes/bare", "units");
}

TEST_F(NexusRules, AnNXdataNamesItsSignal) {
  data_.removeAttr("signal");
  expect("/entry/ink@signal", "is not there");
  say(data_, "signal", "counts");
  expect("/entry/ink@signal", "\"counts\"");
  say(data_, "signal", "../also");
  expect("/entry/ink@signal", "no field of this group");
}

TEST_F(NexusRules, ASignalIsNumericWithDimensions) {
  text_field(data_, "words", "none");
  say(data_, "signal", "words");
  expect("/entry/ink/words", "numeric");
}

TEST_F(NexusRules, AxesAreAsManyAsTheSignalHasDimensions) {
  say_list(data_, "axes", {"energy"});
  expect("/entry/ink@axes", "each of the 2 dimensions");
  say(data_, "axes", "row:energy");
  expect("/entry/ink@axes", "each of the 2 dimensions");
  say_list(data_, "axes", {".", "loss"});
  expect("/entry/ink@axes", "\"loss\"");
}

TEST_F(NexusRules, AnAxisFitsItsDimension) {
  numbers(data_, "time", {4});
  say_list(data_, "axes", {"time", "energy"});
  say_number(data_, "time_indices", 0);
  const auto found = faults();
  EXPECT_THAT(found,
              Contains(Field(&RuleFault::sentence, HasSubstr("4 values for a dimension of 5"))));
  EXPECT_THAT(found, Each(Field(&RuleFault::place, "/entry/ink/time")));
}

TEST_F(NexusRules, IndicesSayWhereAnAxisBelongs) {
  say_number(data_, "energy_indices", 0);
  EXPECT_THAT(faults(), Contains(Field(&RuleFault::place, "/entry/ink@energy_indices")));
  say_number(data_, "energy_indices", 7);
  EXPECT_THAT(faults(), Contains(Field(&RuleFault::sentence, HasSubstr("does not have"))));
  data_.removeAttr("energy_indices");
  expect("/entry/ink@energy_indices", "dimension 1");
  say_number(data_, "energy_indices", 1);
  say_number(data_, "tilt_indices", 0);
  expect("/entry/ink@tilt_indices", "axis that is not there");
}

TEST_F(NexusRules, TheChainOfDefaultsEndsAtData) {
  say(entry_, "default", "nowhere");
  expect("/entry/@default", "\"nowhere\"");
  entry_.removeAttr("default");
  expect("/entry/@default", "is not there");
  say(entry_, "default", "also");  // a field
  expect("/entry/@default", "no group here");
  file_.link(H5L_TYPE_HARD, "/entry", "/entry/again");
  say(entry_, "default", "again");  // a circle
  expect(
      std::string("/entry") +
          [] {
            std::string path;
            for (int i = 0; i < 63; ++i) {
              path += "/again";
            }
            return path;
          }() +
          "/@default",
      "does not end");
}

TEST_F(NexusRules, TheTargetOfALinkIsTheObject) {
  say(signal_, "target", "/entry/ink/gone");
  expect("/entry/also@target", "nothing is there");
  say(signal_, "target", "/entry/ink/energy");
  expect("/entry/also@target", "another object");
  say(signal_, "target", "intensity");
  expect("/entry/also@target", "nothing is there");
}

TEST_F(NexusRules, LinksLeadSomewhereAndStayInTheFile) {
  H5Lcreate_soft("/entry/gone", entry_.getId(), "soft", H5P_DEFAULT, H5P_DEFAULT);
  expect("/entry/soft", "leads nowhere");
  file_.unlink("/entry/soft");
  H5Lcreate_external("/etc/hostname", "/", entry_.getId(), "outside", H5P_DEFAULT, H5P_DEFAULT);
  expect("/entry/outside", "out of the file");
}

TEST_F(NexusRules, AHostileFileEnds) {
  // Groups that hold each other, a very deep tree, and more groups without a class than are listed.
  file_.link(H5L_TYPE_HARD, "/entry", "/entry/ink/circle");
  H5::Group deep = add(entry_, "deep", "NXcollection");
  for (int i = 0; i < 200; ++i) {
    deep = add(deep, "d", "NXcollection");
  }
  EXPECT_THAT(faults(), ElementsAre(Field(&RuleFault::sentence, HasSubstr("deeper than"))));
  for (int i = 0; i < 1000; ++i) {
    entry_.createGroup("g" + std::to_string(i));
  }
  EXPECT_EQ(faults().size(), 200U);
}

TEST_F(NexusRules, AttributesOfTheWrongKindAreNotRead) {
  entry_.removeAttr("NX_class");
  const hsize_t many = 1U << 12;
  entry_.createAttribute("NX_class", H5::PredType::STD_U64LE, H5::DataSpace(1, &many));
  data_.removeAttr("axes");
  const H5::StrType variable(H5::PredType::C_S1, H5T_VARIABLE);
  data_.createAttribute("axes", variable, H5::DataSpace(H5S_NULL));
  const auto found = faults();
  EXPECT_THAT(found, Contains(Field(&RuleFault::place, "/entry")));
  EXPECT_THAT(found, Contains(Field(&RuleFault::place, "/entry/ink@axes")));
}

}  // namespace
}  // namespace creel::session
