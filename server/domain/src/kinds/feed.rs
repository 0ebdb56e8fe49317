//! What goes into a feed, what is seen in it, what leaves it as loss.

use super::Kind;
use crate::fact::*;
use crate::key::{TIPS, bucket, day_of, object, stream_keys};
use crate::mass::kilograms;
use crate::time::Zone;

impl Kind for BagTipped {
    fn name(&self) -> &'static str {
        "bag_tipped"
    }

    fn rank(&self) -> u8 {
        5
    }

    fn tie(&self) -> (String, i64) {
        (self.bag_tag.clone(), 0)
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        if self.part_mass_mg.is_none() {
            keys.push(bucket(TIPS, day_of(at)));
        }
        keys.push(object("bag", &self.bag_tag));
        stream_keys(&self.feed_code, "", "", self.start_time_us, at, keys);
        for count in &self.counts {
            keys.push(bucket(&object("machine", &count.machine_code), day_of(at)));
        }
        // Whatever took a bag off its platform is known to the platforms by the bag itself.
    }

    fn words(&self, _zone: &Zone) -> String {
        match self.part_mass_mg {
            Some(part) => format!("{} of bag {} tipped into feed {}", kilograms(part), self.bag_tag, self.feed_code),
            None => format!("bag {} tipped into feed {}", self.bag_tag, self.feed_code),
        }
    }
}

impl Kind for HopperLevelRecorded {
    fn name(&self) -> &'static str {
        "hopper_level_recorded"
    }

    fn rank(&self) -> u8 {
        0
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        keys.push(object("feed_anchors", &self.feed_code));
        stream_keys(&self.feed_code, "", "", None, at, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("feed {} holds {} (observed)", self.feed_code, kilograms(self.content_mass_mg))
    }
}

impl Kind for FeedEmptied {
    fn name(&self) -> &'static str {
        "feed_emptied"
    }

    fn rank(&self) -> u8 {
        0
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        keys.push(object("feed_anchors", &self.feed_code));
        stream_keys(&self.feed_code, "", "", None, at, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("feed {} seen empty and clean", self.feed_code)
    }
}

impl Kind for LossRecorded {
    fn name(&self) -> &'static str {
        "loss_recorded"
    }

    fn rank(&self) -> u8 {
        6
    }

    fn tie(&self) -> (String, i64) {
        (self.machine_code.clone(), self.mass_mg)
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        stream_keys(&self.feed_code, "", &self.run_code, self.start_time_us, at, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("{} left feed {} as loss", kilograms(self.mass_mg), self.feed_code)
    }
}
