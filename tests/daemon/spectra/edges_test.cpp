#include <gtest/gtest.h>

#include "daemon/spectra/edges.h"

namespace creel::analysis {
namespace {

// Binding energies of X-Ray Data Booklet (LBNL/PUB-490, 2009), table 1-1: C 1s 284.2, O 1s 543.1,
// Fe 2p3/2 706.8 eV.
TEST(Edges, AreThoseOfTheBindingEnergyTable) {
  EXPECT_DOUBLE_EQ(main_edge("C")->onset_ev, 284.2);
  EXPECT_DOUBLE_EQ(main_edge("O")->onset_ev, 543.1);
  EXPECT_DOUBLE_EQ(main_edge("Fe")->onset_ev, 706.8);
  EXPECT_EQ(main_edge("Fe")->name(), "Fe L3");
  EXPECT_FALSE(main_edge("Au").has_value());
}

TEST(Edges, AWhiteLineIsShownBeforeAKEdge) {
  EXPECT_EQ(edge_to_show({"C", "O", "Fe"}, 0, 1000)->name(), "Fe L3");
  EXPECT_EQ(edge_to_show({"O", "C"}, 0, 1000)->name(), "O K");
}

TEST(Edges, AnEdgeThatTheAxisDoesNotReachIsNotShown) {
  EXPECT_EQ(edge_to_show({"Fe", "C"}, 0, 731.7)->name(), "C K");
  EXPECT_EQ(edge_to_show({"Fe", "C"}, 0, 731.9)->name(), "Fe L3");
  EXPECT_FALSE(edge_to_show({"Fe", "C"}, -20, 100).has_value());
  EXPECT_FALSE(edge_to_show({}, 0, 1000).has_value());
}

}  // namespace
}  // namespace creel::analysis
