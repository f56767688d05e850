    case ${number}:
        return (uint64_t)${symbol}_${function}(signed_of(given), offset_ppt);
