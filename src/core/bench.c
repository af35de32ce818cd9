/* SPDX-License-Identifier: MIT */
#include "tinlatch/bench.h"

const char *quality_name(enum quality quality)
{
    switch (quality) {
    case QUALITY_NONE:
        return "none";
    case QUALITY_GOOD:
        return "good";
    case QUALITY_OPEN:
        return "open";
    case QUALITY_RANGE:
        return "range";
    case QUALITY_STALE:
        return "stale";
    case QUALITY_JUMP:
        return "jump";
    }
    return "?";
}

const char *sensor_name(enum sensor_id id)
{
    switch (id) {
    case SENSOR_PLATE:
        return "plate";
    case SENSOR_PLATE_2:
        return "plate-2";
    case SENSOR_BOARD:
        return "board";
    case SENSORS:
        break;
    }
    return "?";
}

const char *hand_name(enum hand hand)
{
    switch (hand) {
    case HAND_NONE:
        return "none";
    case HAND_PLACE:
        return "place";
    case HAND_LIFT:
        return "lift";
    case HAND_PRESS:
        return "press";
    case HAND_RELEASE:
        return "release";
    case HAND_HEAT:
        return "heat";
    case HANDS:
        break;
    }
    return "?";
}
