    case ${number}:
        return ${symbol}_${function}((uint32_t)given, offset_ppt);
