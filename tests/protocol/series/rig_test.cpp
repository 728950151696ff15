// Every class of fault of a rig document, with the exact sentence a person gets.

#include "protocol/series/rig.h"

#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "documents.h"

namespace creel {
namespace {

using namespace testing_documents;

TEST(Rig, ACompleteDocumentIsReadWithAllItsFields) {
  const std::string text =
      with(with(kRig, "\"name\": \"camera\", \"kind\": \"detector\", \"driver\": \"simulated\"",
                "\"name\": \"camera\", \"kind\": \"detector\", \"driver\": \"line-2\", \"config\": "
                "{\"x\": [1]}, "
                "\"sandbox\": {\"network\": true, \"read_paths\": [\"/etc/line\"], "
                "\"write_paths\": [\"/dev/line0\"]}"),
           "\"fallback\": \"cathode_shutter\"",
           "\"fallback\": \"cathode_shutter\", \"lease_s\": 0.5, \"closing_time_ms\": 7.5");
  const auto rig = parse_rig(text, "r.json");
  ASSERT_TRUE(rig.ok()) << rig.error().text;
  EXPECT_EQ(rig->name, "bench");
  EXPECT_FALSE(rig->accelerated);
  EXPECT_EQ(rig->seed, 1U);
  EXPECT_EQ(rig->text, text);
  const RigDevice* camera = rig->find("camera");
  ASSERT_NE(camera, nullptr);
  EXPECT_EQ(camera->driver, "line-2");
  EXPECT_EQ(camera->config.at("x").at(0), 1);
  EXPECT_TRUE(camera->sandbox.network);
  EXPECT_FALSE(camera->sandbox.usb);
  EXPECT_EQ(camera->sandbox.read_paths, std::vector<std::string>{"/etc/line"});
  EXPECT_EQ(camera->sandbox.write_paths, std::vector<std::string>{"/dev/line0"});
  const RigDevice* shutter = rig->find("beam_shutter");
  ASSERT_NE(shutter, nullptr);
  EXPECT_EQ(shutter->kind, DeviceKind::shutter);
  EXPECT_EQ(shutter->blocks, Blocks::electrons_above_specimen);
  EXPECT_EQ(shutter->fails_safe, Answer3::yes);
  EXPECT_EQ(shutter->lease, milliseconds(500));
  EXPECT_EQ(shutter->closing_time, microseconds(7500));
  EXPECT_EQ(rig->find("cathode_shutter")->blocks, Blocks::cathode_laser);
  EXPECT_EQ(rig->find("cathode_shutter")->lease, seconds(2));
  EXPECT_EQ(rig->find("nothing"), nullptr);
  EXPECT_TRUE(rig->warnings.empty()) << rig->warnings[0];
}

TEST(Rig, EachFaultHasItsSentence) {
  struct Case {
    const char* from;
    const char* to;
    const char* sentence;
  };
  const std::vector<Case> cases{
      {"\"kind\": \"gauge\"", "\"kind\": \"meter\"",
       "r.json:16: devices[3].kind: got \"meter\"; must be \"detector\", \"shutter\", \"stage\" or "
       "\"gauge\""},
      {"\"name\": \"room\"", "\"name\": \"Room 1\"",
       "r.json:16: devices[3].name: got \"Room 1\"; must be a name of a-z, 0-9 and _, beginning "
       "with a letter, "
       "at most 63 characters"},
      {"\"name\": \"room\"", "\"name\": \"camera\"",
       "r.json:16: devices[3].name: got \"camera\", which devices[0] has already; each device "
       "needs a name of "
       "its own"},
      {"\"name\": \"bench\"", "\"nmae\": \"bench\"",
       "r.json:3: nmae: there is no such field here; did you mean name?"},
      {"     \"blocks\": \"electrons_above_specimen\",\n", "",
       "r.json:8: devices[1].blocks: missing; a shutter must say what it blocks: "
       "\"cathode_laser\", "
       "\"electrons_above_specimen\", \"electrons_below_specimen\" or \"pump_laser\""},
      {"\"electrons_above_specimen\",\n     \"fails_safe\": \"yes\",\n",
       "\"electrons_above_specimen\",\n",
       "r.json:8: devices[1].fails_safe: missing; a shutter must say whether it closes by itself "
       "without power: "
       "\"yes\", \"no\" or \"unknown\""},
      {"\"fallback\": \"cathode_shutter\"", "\"fallback\": \"cathode_shuter\"",
       "r.json:11: devices[1].fallback: got \"cathode_shuter\", which is no device of this rig; "
       "did you mean "
       "\"cathode_shutter\"?"},
      {"\"fallback\": \"cathode_shutter\"", "\"fallback\": \"beam_shutter\"",
       "r.json:11: devices[1].fallback: got \"beam_shutter\", the shutter itself; must be another "
       "shutter"},
      {"\"fallback\": \"cathode_shutter\"", "\"fallback\": \"room\"",
       "r.json:11: devices[1].fallback: got \"room\", which is a gauge; must be another shutter"},
      {"\"blocks\": \"cathode_laser\"", "\"blocks\": \"pump_laser\"",
       "r.json:11: devices[1].fallback: got \"cathode_shutter\", which blocks pump_laser and so "
       "does not end the "
       "dose; must be a shutter that blocks cathode_laser or electrons_above_specimen"},
      {"\"fallback\": \"cathode_shutter\"",
       "\"fallback\": \"cathode_shutter\", \"lease_s\": 0.2, "
       "\"closing_time_ms\": 500",
       "r.json:11: devices[1].closing_time_ms: got 500, longer than the open lease; must be at "
       "most lease_s = "
       "0.2 seconds"},
      {"\"name\": \"room\",", "\"name\": \"room\", \"fails_safe\": \"yes\",",
       "r.json:16: devices[3].fails_safe: only a shutter has this field; \"room\" is a gauge"},
      {"\"name\": \"room\",", "\"name\": \"room\", \"sandbox\": {\"read_paths\": [\"etc\"]},",
       "r.json:16: devices[3].sandbox.read_paths[0]: got \"etc\"; must be an absolute path "
       "(beginning with /)"},
      {"\"name\": \"bench\",", "\"name\": \"bench\", \"accelerated\": \"yes\",",
       "r.json:3: accelerated: got \"yes\"; must be true or false"},
      {"\"name\": \"bench\",", "\"name\": \"bench\", \"seed\": -1,",
       "r.json:3: seed: got -1; must be a whole number, 0 to 9007199254740991"},
      {"\"serial\": \"unknown\",\n", "\n",
       "r.json:4: microscope.serial: missing; must be a text of 1 to 200 characters"},
  };
  for (const Case& test : cases)
    EXPECT_EQ(rig_fault(with(kRig, test.from, test.to)), test.sentence);
}

TEST(Rig, ARealDeviceIsNeverHurried) {
  const std::string text =
      with(with(kRig, "\"name\": \"bench\",", "\"name\": \"bench\", \"accelerated\": true,"),
           "\"name\": \"room\",", "\"name\": \"room\", \"sandbox\": {\"usb\": true},");
  EXPECT_EQ(rig_fault(text),
            "r.json:3: accelerated: got true; must be false, because the device \"room\" reaches "
            "hardware and "
            "real devices keep real time");
}

TEST(Rig, WarnsWhatAPowerCutMeansAndOfAMissingFallback) {
  const std::string no_fallback =
      with(kRig, "     \"fails_safe\": \"yes\",\n     \"fallback\": \"cathode_shutter\"",
           "     \"fails_safe\": \"unknown\"");
  const auto rig = parse_rig(no_fallback, "r.json");
  ASSERT_TRUE(rig.ok()) << rig.error().text;
  EXPECT_EQ(rig->warnings,
            (std::vector<std::string>{
                "r.json:8: devices[1]: no fallback is named: when the shutter \"beam_shutter\" "
                "does not close, "
                "Creel can only raise an alarm, and the dose goes on until someone closes it",
                "r.json:10: devices[1].fails_safe: got \"unknown\": at a power cut nobody can say "
                "whether the "
                "shutter \"beam_shutter\" closes; if it stays open, the beam stays on the specimen "
                "until someone "
                "closes it, and the ledger charges no more than up to the end of the lease (2 s); "
                "try it once "
                "and write \"yes\" or \"no\""}));
  const auto stays =
      parse_rig(with(kRig, "     \"fails_safe\": \"yes\",\n     \"fallback\": \"cathode_shutter\"",
                     "     \"fails_safe\": \"no\", \"fallback\": \"cathode_shutter\""),
                "r.json");
  ASSERT_TRUE(stays.ok()) << stays.error().text;
  EXPECT_EQ(stays->warnings, std::vector<std::string>{
                                 "r.json:10: devices[1].fails_safe: got \"no\": at a power cut the "
                                 "shutter \"beam_shutter\" stays "
                                 "as it is; if it stands open, the beam stays on the specimen "
                                 "until someone closes it, and the "
                                 "ledger charges no more than up to the end of the lease (2 s)"});
}

}  // namespace
}  // namespace creel
