import { dress } from "../units.js";

dress();
